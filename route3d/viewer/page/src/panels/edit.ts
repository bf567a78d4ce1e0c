/** Changing runs: corners by number, straps by distance, new runs; everything that the mouse can do, with keys. */

import { fill, h } from "../dom";
import type { Edits } from "../edits";
import type { Point, Run } from "../payload";
import { type State, type Store, absolute, findingsOf, runOf } from "../store";
import { type Lengths, counted } from "../units";
import { NOT_A_LENGTH, check, choice, field } from "./building";
import { findingLine, redraw, section, verdict } from "./common";

const MOST_LINES = 8;

export const ENDS = ["box", "cabinet", "fitting", "luminaire", "equipment", "flexible-equipment", "open"];

export interface EditActions {
  /** Choose a corner, so that the picture shows it. */
  choose(corner: number | null): void;
  /** Begin (or give up) a run whose corners are clicked in the picture. */
  add(run: { run: string; cable: string } | null): void;
  save(): void;
  dropAll(): void;
}

/** What is typed for a new run; kept while the panel is drawn again. */
interface NewRun {
  id: string;
  cable: string;
  points: string;
}

export function editPanel(host: HTMLElement, store: Store, edits: Edits, lengths: Lengths, on: EditActions): void {
  const made: NewRun = { id: "", cable: "", points: "" };
  redraw(store, host, ["editing", "review", "line", "undo", "selection"], (state) => {
    const scrolled = host.scrollTop;
    const { editing, line } = state;
    const parts: HTMLElement[] = [h("h2", { class: "unseen" }, "Edit")];
    if (!line.editable) {
      parts.push(h("section", {}, h("h2", {}, "Nothing can be changed here"), h("p", {}, line.whyNot)));
    } else {
      const run = runOf(state, editing.run);
      parts.push(which(state, store));
      if (editing.run !== null) parts.push(...body(state, store, edits, lengths, on, editing.run, run));
      parts.push(fresh(state, store, edits, lengths, on, made), saving(state, on));
    }
    fill(host, parts);
    host.scrollTop = scrolled;
  });
}

function which(state: State, store: Store): HTMLElement {
  const { editing, selection } = state;
  const can = state.review.runs.filter((run) => run.editable);
  const select = h(
    "select",
    {
      "data-key": "edit-which", "aria-label": "Run to change",
      onchange: () => {
        const run = select.value === "" ? null : select.value.slice(1);
        store.editing({ run, also: [], corner: null, adding: false });
        if (run !== null) store.select({ run }, "panel");
      },
    },
    h("option", { value: "" }, "no run"),
    can.map((run) => h("option", { value: `=${run.id}`, selected: run.id === editing.run }, run.id)),
  );
  const offered = selection.run !== null && selection.run !== editing.run ? runOf(state, selection.run) : null;
  return section(
    "Run to change",
    h(
      "div", { class: "buttons" },
      select,
      editing.run !== null &&
        h("button", { type: "button", "data-key": "edit-stop", onclick: () => store.editing({ run: null, also: [], corner: null }) }, "Done"),
    ),
    editing.also.length > 0 && h("p", { class: "soft" }, `Corners of ${editing.also.join(", ")} can be chosen too (Shift), and move together.`),
    offered !== null &&
      (offered.editable
        ? h(
            "div", { class: "buttons" },
            h(
              "button",
              { type: "button", "data-key": "edit-chosen", onclick: () => store.editing({ run: offered.id, also: [], corner: null, adding: false }) },
              `Change ${offered.id}, which is chosen`,
            ),
            editing.run !== null &&
              !editing.also.includes(offered.id) &&
              h(
                "button",
                { type: "button", "data-key": "edit-also", onclick: () => store.editing({ also: [...editing.also, offered.id] }) },
                "Change it together",
              ),
          )
        : h("p", { class: "soft" }, `Run ${offered.id} cannot be changed here: its file is read, but never written.`)),
  );
}

function body(
  state: State, store: Store, edits: Edits, lengths: Lengths, on: EditActions, id: string, run: Run | null,
): HTMLElement[] {
  const drawn = edits.current(id);
  if (drawn === null) return [h("p", { class: "soft" }, `Run ${id} was taken out; undo brings it back.`)];
  const { editing } = state;
  return [
    now(state, store, id, run),
    section(
      "Corners",
      h(
        "div", { class: "fields" },
        check("axis-snap", "Snap along x, y, z", editing.axisSnap, (axisSnap) => store.editing({ axisSnap })),
        check("level-lock", "Keep the height", editing.levelLock, (levelLock) => store.editing({ levelLock })),
      ),
      corners(state, edits, lengths, on, id, drawn.corners_m),
    ),
    section(
      "Straps and hangers",
      check("strap-mode", "Move straps in the picture instead of corners", editing.what === "straps", (yes) =>
        store.editing({ what: yes ? "straps" : "corners" }),
      ),
      held(edits, lengths, id, "straps_at_m", "strap", drawn.straps_at_m, run),
      held(edits, lengths, id, "supports_at_m", "support", drawn.supports_at_m, run),
    ),
    run?.source === "drawing"
      ? h("p", { class: "soft" }, "This run is drawn in CAD: saving writes a new DXF beside the old one.")
      : ends(state, edits, id, drawn),
    h(
      "div", { class: "buttons" },
      h(
        "button",
        {
          type: "button", "data-key": "delete-run", class: "danger",
          onclick: () => {
            edits.change({ run: id, deleted: true }, `taking out ${id}`);
            store.editing({ run: null, also: [], corner: null });
          },
        },
        "Take this run out",
      ),
    ),
  ];
}

/** How the run stands with the changes so far. */
function now(state: State, store: Store, id: string, run: Run | null): HTMLElement {
  const findings = findingsOf(state, id);
  const { checking, lastCheck_ms } = state.line;
  return h(
    "section", { class: "now" },
    h("h2", {}, `Run ${id} `, run === null ? h("span", { class: "soft" }, "not checked yet") : verdict(run.verdict)),
    h(
      "p", { class: "soft" },
      checking ? "checking …" : lastCheck_ms === null ? "as it was checked at the start" : `checked in ${lastCheck_ms < 10 ? lastCheck_ms.toFixed(1) : lastCheck_ms.toFixed(0)} ms`,
    ),
    state.line.notes.map((note) => h("p", { class: "note-line" }, note)),
    findings.length > MOST_LINES && h("p", { class: "soft" }, `${findings.length} findings, the worst first:`),
    findings.length > 0 && h("ul", { class: "lines" }, findings.slice(0, MOST_LINES).map((finding) => findingLine(store, finding))),
  );
}

function corners(
  state: State, edits: Edits, lengths: Lengths, on: EditActions, id: string, points: Point[],
): HTMLElement {
  const { corner } = state.editing;
  const move = (k: number, axis: 0 | 1 | 2, text: string): string | null => {
    const value = lengths.read(text);
    if (value === null) return NOT_A_LENGTH;
    const next = points.map((p, j): Point => (j === k ? (p.map((v, a) => (a === axis ? value - state.review.origin_m[a] : v)) as Point) : p));
    edits.change({ run: id, corners_m: next }, `moving corner ${k + 1} of ${id}`);
    return null;
  };
  const insert = (k: number): void => {
    const [a, b] = k + 1 < points.length ? [points[k], points[k + 1]] : [points[k - 1], points[k]];
    const middle = a.map((v, axis) => (v + b[axis]) / 2) as Point;
    const at = Math.min(k + 1, points.length - 1);
    edits.change({ run: id, corners_m: [...points.slice(0, at), middle, ...points.slice(at)] }, `a corner more in ${id}`);
    on.choose(at);
  };
  const remove = (k: number): void => {
    edits.change({ run: id, corners_m: points.filter((_, j) => j !== k) }, `a corner less in ${id}`);
    on.choose(null);
  };
  const typed = (point: Point, k: number): HTMLElement =>
    h(
      "div", { class: "typed" },
      h(
        "div", { class: "fields three" },
        (["x", "y", "z"] as const).map((name, axis) =>
          field(`corner-${name}`, `${name}, ${lengths.unit}`, lengths.typed(absolute(state, point)[axis]), (text) => move(k, axis as 0 | 1 | 2, text)),
        ),
      ),
      h(
        "div", { class: "buttons" },
        h("button", { type: "button", "data-key": "corner-insert", onclick: () => insert(k) }, k === points.length - 1 ? "Insert before it" : "Insert after it"),
        h(
          "button",
          {
            type: "button", "data-key": "corner-delete", disabled: points.length <= 2,
            title: points.length <= 2 ? "A run has at least two corners." : "", onclick: () => remove(k),
          },
          "Delete it",
        ),
      ),
    );
  const rows = points.map((point, k) => {
    const words = k === 0 ? "start" : k === points.length - 1 ? "end" : `corner ${k + 1}`;
    const [x, y, z] = absolute(state, point).map((value) => lengths.typed(value));
    return h(
      "li", {},
      h(
        "button",
        {
          type: "button", class: `line${k === corner ? " chosen" : ""}`, "data-key": `corner-${k}`, "aria-expanded": String(k === corner),
          onclick: () => on.choose(k === corner ? null : k),
        },
        h("b", {}, words), h("span", { class: "figure" }, `${x}, ${y}, ${z}`),
      ),
      k === corner && typed(point, k),
    );
  });
  return h("div", {}, h("p", { class: "soft" }, `x, y, z in ${lengths.unit}; choose one to change its numbers`), h("ol", { class: "lines corners" }, rows));
}

function held(
  edits: Edits, lengths: Lengths, id: string, key: "straps_at_m" | "supports_at_m", word: string, places: number[], run: Run | null,
): HTMLElement {
  const set = (next: number[], label: string): void => edits.change({ run: id, [key]: next.sort((a, b) => a - b) }, label);
  const read = (text: string): number | string => {
    const at = lengths.read(text);
    if (at === null) return NOT_A_LENGTH;
    if (at < 0 || (run !== null && at > run.length_m)) return `must lie on the run, 0 to ${lengths.show(run?.length_m ?? 0)}`;
    return at;
  };
  return h(
    "div", { class: "held" },
    h("h4", {}, key === "straps_at_m" ? `Straps at, ${lengths.unit} from the start` : `Supports that only carry, ${lengths.unit} from the start`),
    h(
      "ul", { class: "places" },
      places.map((at_m, k) =>
        h(
          "li", {},
          field(`${key}-${k}`, `${word} ${k + 1}`, lengths.typed(at_m), (text) => {
            const at = read(text);
            if (typeof at === "string") return at;
            set(places.map((p, j) => (j === k ? at : p)), `moving a ${word} of ${id}`);
            return null;
          }),
          h(
            "button",
            {
              type: "button", class: "quiet", "aria-label": `Take out ${word} ${k + 1}`, "data-key": `${key}-${k}-out`,
              onclick: () => set(places.filter((_, j) => j !== k), `taking out a ${word} of ${id}`),
            },
            "✕",
          ),
        ),
      ),
      h(
        "li", {},
        field(`${key}-more`, "one more at", "", (text) => {
          const at = read(text);
          if (typeof at === "string") return at;
          set([...places, at], `a ${word} more on ${id}`);
          return null;
        }),
      ),
    ),
  );
}

function ends(state: State, edits: Edits, id: string, drawn: { cable: string; start: string; end: string }): HTMLElement {
  const kinds = ENDS.map((kind): [string, string] => [kind, kind]);
  const cables = Object.keys(state.review.cables).map((cable): [string, string] => [cable, cable]);
  return section(
    "Cable and ends",
    h(
      "div", { class: "fields" },
      choice("run-cable", "cable", cables, drawn.cable, (cable) => edits.change({ run: id, cable }, `another cable for ${id}`)),
      choice("run-start", "start", kinds, drawn.start, (start) => edits.change({ run: id, start }, `the start of ${id}`)),
      choice("run-end", "end", kinds, drawn.end, (end) => edits.change({ run: id, end }, `the end of ${id}`)),
    ),
  );
}

function fresh(state: State, store: Store, edits: Edits, lengths: Lengths, on: EditActions, made: NewRun): HTMLElement {
  const cables = Object.keys(state.review.cables).map((cable): [string, string] => [cable, cable]);
  if (cables.length === 0) {
    return section("New run", h("p", { class: "soft" }, "The project file names no cable; add a [cable] there first."));
  }
  if (made.cable === "") made.cable = cables[0][0];
  if (state.editing.adding) {
    return section(
      "New run",
      h("p", {}, "Click its corners in the picture. Enter ends it, Backspace takes one back, Esc gives up."),
      h("button", { type: "button", "data-key": "add-stop", onclick: () => on.add(null) }, "Give up"),
    );
  }
  const id = (): string => (made.id.trim() === "" ? edits.freshId(state.selection.run ?? "run") : made.id.trim());
  const trouble = h("p", { class: "trouble", role: "alert" });
  const taken = (): boolean => {
    const clash = runOf(state, id()) !== null;
    if (clash) trouble.textContent = `There is a run ${id()} already: give this one another name.`;
    return clash;
  };
  const name = h("input", {
    type: "text", value: made.id, placeholder: edits.freshId(state.selection.run ?? "run"), "data-key": "new-id",
    autocomplete: "off", spellcheck: "false",
    oninput: () => {
      made.id = name.value;
    },
  });
  const points = h("textarea", {
    rows: 3, "data-key": "new-points", "aria-label": `Corners of the new run, x, y, z in ${lengths.unit}, one corner per line`,
    placeholder: "0, 0, 2900", spellcheck: "false",
    oninput: () => {
      made.points = points.value;
    },
  });
  points.value = made.points;
  const type = (): void => {
    const read = typedCorners(made.points, lengths, state.review.origin_m);
    if (typeof read === "string") {
      trouble.textContent = read;
      return;
    }
    if (taken()) return;
    const run = id();
    made.id = made.points = "";
    store.editing({ run, corner: null });
    edits.change({ run, corners_m: read, cable: made.cable, start: "open", end: "open", added: true }, `the new run ${run}`);
  };
  return section(
    "New run",
    h(
      "div", { class: "fields" },
      h("label", { class: "choice" }, h("span", {}, "name"), name),
      choice("new-cable", "cable", cables, made.cable, (cable) => {
        made.cable = cable;
      }),
    ),
    h(
      "div", { class: "buttons" },
      h(
        "button",
        {
          type: "button", "data-key": "add-click",
          onclick: () => {
            if (!taken()) on.add({ run: id(), cable: made.cable });
          },
        },
        "Click its corners",
      ),
    ),
    h(
      "details", { open: made.points !== "" },
      h("summary", {}, "or type them"),
      points,
      h("button", { type: "button", "data-key": "add-typed", onclick: type }, "Add this run"),
    ),
    trouble,
  );
}

/** Read typed corners; returns a sentence where one cannot be read. */
export function typedCorners(text: string, lengths: Lengths, origin: Point): Point[] | string {
  const lines = text.split("\n").filter((line) => line.trim() !== "");
  const points: Point[] = [];
  for (const [k, line] of lines.entries()) {
    const parts = line.trim().split(/\s*[,;\t]\s*|\s+(?=[-+.\d])/);
    const values = parts.map((part) => lengths.read(part));
    if (values.length !== 3 || values.some((v) => v === null)) return `Line ${k + 1} is not three lengths: write x, y, z with commas between.`;
    points.push(values.map((v, axis) => (v ?? 0) - origin[axis]) as Point);
  }
  return points.length < 2 ? "A run has at least two corners: write one per line." : points;
}

function saving(state: State, on: EditActions): HTMLElement {
  const { unsaved, saving: busy } = state.line;
  const { behind, saved, back, wall } = state.undo;
  return section(
    "Save",
    h(
      "p", { class: "soft" },
      "Runs of the project file are written there, comments kept. Runs drawn in CAD go into a new DXF beside the old one.",
    ),
    behind > 0 && h("p", { class: "ahead" }, `${counted(behind, "step")} that you took back ${behind === 1 ? "is" : "are"} still in the file, which was already written: save again to put this into it.`),
    saved && h("p", { class: "soft" }, `Undo goes on behind the last save: ${back} is in the file already, and taking it back is a new change.`),
    back === "" && wall !== "" && h("p", { class: "soft" }, `Undo reaches no further: ${wall}.`),
    h(
      "button", { type: "button", "data-key": "save-here", class: "main", disabled: unsaved === 0 || busy, onclick: () => on.save() },
      unsaved === 0 ? "Nothing to save" : `Save ${unsaved} changed ${unsaved === 1 ? "run" : "runs"}`,
    ),
    unsaved > 0 &&
      h(
        "details", { class: "give-up" },
        h("summary", { "data-key": "give-up" }, "Give the changes up"),
        h("button", { type: "button", "data-key": "drop-all", class: "danger", disabled: busy, onclick: () => on.dropAll() }, `Drop all ${unsaved}, back to what is saved`),
      ),
  );
}
