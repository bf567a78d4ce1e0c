/** What of the building is shown and how: roles, cuts, directions, measuring. */

import { fill, h } from "../dom";
import type { Shown, Spans, State, Store } from "../store";
import { type Lengths, counted } from "../units";
import { redraw, section } from "./common";

const STATES: [Shown, string][] = [["shown", "Shown"], ["ghost", "See-through"], ["hidden", "Hidden"]];

export function buildingPanel(host: HTMLElement, store: Store, lengths: Lengths): void {
  redraw(store, host, ["look", "elements", "review", "measured"], (state) => {
    const scrolled = host.scrollTop;
    fill(host, h("h2", { class: "unseen" }, "Building"), cuts(state, store, lengths), measuring(state, store, lengths), onRun(state, store), roles(state, store));
    host.scrollTop = scrolled;
  });
}

function onRun(state: State, store: Store): HTMLElement {
  const values: [Spans, string][] = [
    ["fitting", "what the finding is about"], ["securing", "securing"], ["supporting", "supporting"], ["none", "nothing"],
  ];
  return section(
    "On the chosen run",
    choice("spans", "spans coloured by", values, state.look.spans, (spans) => store.look({ spans })),
  );
}

function cuts(state: State, store: Store, lengths: Lengths): HTMLElement {
  const { section: plane, slice } = state.look;
  const [ox, oy, oz] = state.review.origin_m;
  const origin = { x: ox, y: oy, z: oz };
  const axis = plane?.axis ?? "x";
  const middle = middleOf(state);
  const height = (key: string, words: string, now: number | null, set: (m: number | null) => string | null): HTMLElement =>
    field(key, `${words}, ${lengths.unit}`, now === null ? "" : lengths.typed(now + oz), (text) => {
      const value = lengths.read(text);
      if (value === null && text.trim() !== "") return NOT_A_LENGTH;
      return set(value === null ? null : value - oz);
    });
  return section(
    "Cuts",
    check("slice", "Only between two heights", slice !== null, (yes) =>
      store.look({ slice: yes ? plenum(state) : null }),
    ),
    slice !== null &&
      h(
        "div", { class: "fields" },
        height("slice-low", "from", slice.low_m, (low_m) => {
          if (low_m !== null && slice.high_m !== null && low_m >= slice.high_m) return "must be below the upper height";
          store.look({ slice: { ...slice, low_m } });
          return null;
        }),
        height("slice-high", "to", slice.high_m, (high_m) => {
          if (high_m !== null && slice.low_m !== null && high_m <= slice.low_m) return "must be above the lower height";
          store.look({ slice: { ...slice, high_m } });
          return null;
        }),
      ),
    check("section", "Cut away what lies beyond a plane", plane !== null, (yes) =>
      store.look({ section: yes ? { axis, at_m: middle[axis], keep: "low" } : null }),
    ),
    plane !== null &&
      h(
        "div", { class: "fields" },
        choice("section-axis", "across", [["x", "x"], ["y", "y"], ["z", "z"]], plane.axis, (next) =>
          store.look({ section: { ...plane, axis: next, at_m: middle[next] } }),
        ),
        field("section-at", `at, ${lengths.unit}`, lengths.typed(plane.at_m + origin[plane.axis]), (text) => {
          const value = lengths.read(text);
          if (value === null) return NOT_A_LENGTH;
          store.look({ section: { ...plane, at_m: value - origin[plane.axis] } });
          return null;
        }),
        choice("section-keep", "keep", [["low", `smaller ${plane.axis}`], ["high", `larger ${plane.axis}`]], plane.keep, (keep) =>
          store.look({ section: { ...plane, keep } }),
        ),
      ),
  );
}

export const NOT_A_LENGTH = "is no length: type a number, or one with a unit, such as 2.5 m or 8 ft 2 in";

function measuring(state: State, store: Store, lengths: Lengths): HTMLElement {
  const { measured } = state;
  const parts: HTMLElement[] = [];
  if (measured !== null) {
    const { nearest: found } = measured;
    const nearest = typeof found !== "object" ? found : found.gap_m > 0 ? lengths.both(found.gap_m) : "they touch or overlap";
    const by = measured.to_m.map((value, axis) => value - (measured.from_m[axis] ?? 0));
    parts.push(
      h(
        "dl", { class: "facts", role: "status" },
        h("dt", {}, "Distance"), h("dd", {}, lengths.both(measured.gap_m)),
        h("dt", {}, "Along x, y, z"), h("dd", {}, by.map((value) => lengths.show(value)).join(" · ")),
        nearest !== undefined && [h("dt", {}, "Shortest"), h("dd", {}, nearest)],
        h("dt", {}, "From"), h("dd", {}, lengths.place(measured.from_m, state.review.origin_m)),
        h("dt", {}, "To"), h("dd", {}, lengths.place(measured.to_m, state.review.origin_m)),
      ),
    );
  }
  return section(
    "Measure",
    check("measuring", "Measure between two surfaces", state.look.measuring, (measuring) => store.look({ measuring })),
    state.look.measuring && measured === null && h("p", { class: "soft" }, "Click two surfaces or runs in the picture; Esc starts anew."),
    ...parts,
  );
}

/** What the picture shows besides elements; the flag says that it can be see-through. */
const EXTRA: [string, string, boolean][] = [
  ["overhead", "anything above all runs", true], ["runs", "runs", false], ["zones", "zones", true],
  ["markers", "numbered markers", false], ["edges", "lines along edges", false],
];
const UNREAD: [string, string, boolean] = ["unread", "boxes of what was not read", false];

function roles(state: State, store: Store): HTMLElement {
  const counts = new Map<string, number>();
  for (const element of state.elements) counts.set(element.role, (counts.get(element.role) ?? 0) + 1);
  const present = Object.entries(state.review.roles).filter(([role]) => counts.has(role));
  const extra = [...EXTRA, ...(state.review.unread.length > 0 ? [UNREAD] : [])].filter(([role]) => role in state.look.roles);
  const set = (role: string, shown: Shown): void => store.look({ roles: { ...store.get().look.roles, [role]: shown } });
  const all = (shown: Shown): void =>
    store.look({ roles: { ...store.get().look.roles, ...Object.fromEntries(present.map(([role]) => [role, shown])) } });
  const row = (role: string, name: string, colour: string | null, count: string, through: boolean): HTMLElement =>
    h(
      "tr", {},
      h(
        "th", { scope: "row" },
        colour !== null && h("span", { class: "swatch", style: `background:${safe(colour)}`, "aria-hidden": "true" }), name,
      ),
      h("td", { class: "number soft" }, count),
      STATES.map(([value, words]) =>
        h(
          "td", { class: "pick" },
          (through || value !== "ghost") &&
            h("input", {
              type: "radio", name: `role-${role}`, "data-key": `role-${role}-${value}`, "aria-label": `${name}: ${words.toLowerCase()}`,
              checked: state.look.roles[role] === value, onchange: () => set(role, value),
            }),
        ),
      ),
    );
  return section(
    "What is shown",
    h(
      "div", { class: "buttons" },
      STATES.map(([value, words]) =>
        h("button", { type: "button", "data-key": `all-${value}`, onclick: () => all(value) }, `All ${words.toLowerCase()}`),
      ),
    ),
    h(
      "table", { class: "plain roles" },
      h(
        "thead", {},
        h(
          "tr", {}, h("th", { scope: "col" }, "Role"), h("th", { scope: "col", class: "number" }, "Count"),
          STATES.map(([, words]) => h("th", { scope: "col", class: "pick" }, words)),
        ),
      ),
      h(
        "tbody", {},
        present.map(([role, { colour }]) => row(role, role, colour, (counts.get(role) ?? 0).toLocaleString("en"), true)),
        extra.map(([role, name, through]) => row(role, name, null, "", through)),
      ),
    ),
    h("p", { class: "soft" }, `${counted(state.elements.length, "building element")} in the model.`),
  );
}

/** A colour from the payload, if it is one. */
function safe(colour: string): string {
  return /^#[0-9a-f]{6}$/i.test(colour) ? colour : "#999999";
}

// --- small inputs, also for the edit panel ------------------------------------------------------------------------

export function check(key: string, words: string, on: boolean, set: (yes: boolean) => void, disabled = false): HTMLElement {
  const box = h("input", { type: "checkbox", "data-key": key, checked: on, disabled, onchange: () => set(box.checked) });
  return h("label", { class: "check" }, box, words);
}

export function choice<T extends string>(
  key: string, words: string, values: [T, string][], now: T, set: (value: T) => void, disabled = false,
): HTMLElement {
  const select = h(
    "select", { "data-key": key, disabled, onchange: () => set(select.value as T) },
    values.map(([value, name]) => h("option", { value, selected: value === now }, name)),
  );
  return h("label", { class: "choice" }, h("span", {}, words), select);
}

/** A typed value; `set` returns why it cannot be, or null. It is taken on Enter and on leaving the field. */
export function field(
  key: string, words: string, now: string, set: (text: string) => string | null, disabled = false,
): HTMLElement {
  const trouble = h("span", { class: "trouble", id: `trouble-${key}`, role: "alert" });
  let taken = now;
  let taking = false;
  const take = (): void => {
    if (taking || input.value === taken) return;
    taking = true; // setting draws the panel anew, and a field that goes tells a change once more
    const before = input.defaultValue;
    input.defaultValue = input.value; // not half typed any more
    const why = set(input.value);
    taking = false;
    if (why === null) taken = input.value;
    else input.defaultValue = before;
    trouble.textContent = why === null ? "" : `${words.replace(/,.*/, "")}: ${why}`;
    input.setAttribute("aria-invalid", String(why !== null));
  };
  const input = h("input", {
    type: "text", value: now, "data-key": key, disabled, autocomplete: "off", spellcheck: "false", "aria-describedby": trouble.id,
    onchange: take,
    onkeydown: (event: KeyboardEvent) => {
      if (event.key === "Enter") take();
      if (event.key === "Escape") {
        event.stopPropagation();
        input.value = taken;
        trouble.textContent = "";
      }
    },
  });
  return h("div", { class: "field" }, h("label", {}, h("span", {}, words), input), trouble);
}

/** Between the heights where nearly all corners are, a hand's breadth wider: a slice through the plenum. */
function plenum(state: State): { low_m: number; high_m: number } {
  const heights = state.review.runs.flatMap((run) => run.corners_m.map((point) => point[2])).sort((a, b) => a - b);
  if (heights.length === 0) return { low_m: 0, high_m: 3 };
  const at = (share: number): number => heights[Math.round(share * (heights.length - 1))];
  return { low_m: at(0.1) - 0.1, high_m: at(0.9) + 0.1 };
}

function middleOf(state: State): { x: number; y: number; z: number } {
  const low = [Infinity, Infinity, Infinity];
  const high = [-Infinity, -Infinity, -Infinity];
  for (const run of state.review.runs) {
    for (const point of run.line_m) {
      for (let k = 0; k < 3; k += 1) {
        low[k] = Math.min(low[k], point[k]);
        high[k] = Math.max(high[k], point[k]);
      }
    }
  }
  const [x, y, z] = low.map((value, k) => (value > high[k] ? 0 : (value + high[k]) / 2));
  return { x, y, z };
}
