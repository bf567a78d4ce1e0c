/** The head of the page: which job, how it stands, undo, save, and how the line to the server is. */

import { fill, h } from "../dom";
import { type State, type Store, withoutRoute } from "../store";
import { VERDICTS, VERDICT_WORDS } from "../words";
import { redraw } from "./common";

export interface BarActions {
  undo(): void;
  redo(): void;
  save(): void;
  help(): void;
  theme(): void;
}

export function bar(host: HTMLElement, store: Store, on: BarActions): void {
  redraw(store, host, ["review", "line", "undo"], (state) => {
    fill(host, job(state), counts(state, store), h("span", { class: "gap" }), changes(state, on), line(state, store), tools(on));
  });
}

function job(state: State): HTMLElement {
  const { project, rules } = state.review;
  return h("div", { class: "job" }, h("h1", { title: project }, project), h("span", { class: "soft" }, `rules ${rules}`));
}

function counts(state: State, store: Store): HTMLElement {
  const { runs, summary } = state.review;
  const ends = withoutRoute(state).length;
  const show = (): void => store.update({ tab: "overview" });
  const made = VERDICTS.map((v) => {
    const count = runs.filter((run) => run.verdict === v).length;
    return h("li", { class: count === 0 ? "none" : "" }, h("span", { class: `verdict ${v}` }, `${VERDICT_WORDS[v].mark} ${count}`), ` ${VERDICT_WORDS[v].many}`);
  });
  return h(
    "button", { type: "button", class: "counts", "data-key": "counts", title: "Open the overview", onclick: show },
    h("ul", {}, h("li", {}, h("b", {}, runs.length), " runs"), made, ends > 0 && h("li", { title: "Runs given by their ends only: no route yet" }, h("b", {}, `○ ${ends}`), " unrouted"), h("li", {}, h("b", {}, summary.violations ?? 0), ` ${summary.violations === 1 ? "violation" : "violations"}`)),
  );
}

function changes(state: State, on: BarActions): HTMLElement | null {
  const { editable, unsaved, saving } = state.line;
  if (!editable) {
    return h("span", { class: "tag", title: state.line.whyNot }, state.line.state === "report" ? "report" : "read-only");
  }
  const { back, forth, saved, wall } = state.undo;
  const undo = back === "" ? `Nothing to undo${wall === "" ? "" : `: ${wall}`}` : `Undo ${back} (Ctrl+Z)${saved ? ". It is in the file already: undoing it is a new change, to be saved again." : ""}`;
  return h(
    "div", { class: "changes", role: "group", "aria-label": "Changes" },
    h("button", { type: "button", "data-key": "undo", disabled: back === "", title: undo, onclick: () => on.undo() }, "Undo"),
    h("button", { type: "button", "data-key": "redo", disabled: forth === "", title: forth === "" ? "Nothing to redo" : `Redo ${forth} (Ctrl+Y)`, onclick: () => on.redo() }, "Redo"),
    h(
      "button",
      { type: "button", id: "save", "data-key": "save", class: unsaved > 0 ? "main" : "", disabled: unsaved === 0 || saving || state.line.state !== "up", title: "Ctrl+S", onclick: () => on.save() },
      saving ? "Saving …" : unsaved === 0 ? "Saved" : `Save (${unsaved})`,
    ),
  );
}

const LINE_WORDS = { report: "", connecting: "connecting …", up: "live", lost: "line lost" };

function line(state: State, store: Store): HTMLElement | null {
  if (state.line.state === "report") return null;
  const box = h("input", {
    type: "checkbox", checked: state.line.follow, "data-key": "follow", onchange: () => store.line({ follow: box.checked }),
  });
  return h(
    "div", { class: "line-state" },
    h("span", { class: `lamp ${state.line.state}`, "aria-hidden": "true" }),
    h("span", { role: "status" }, state.line.checking && state.line.state === "up" ? "checking" : LINE_WORDS[state.line.state]),
    h("label", { title: "Windows of this page show the same place; switch off to look elsewhere" }, box, "windows together"),
  );
}

function tools(on: BarActions): HTMLElement {
  return h(
    "div", { class: "tools" },
    h("button", { type: "button", class: "quiet", "data-key": "theme", "aria-label": "Light or dark", title: "Light or dark", onclick: () => on.theme() }, "◐"),
    h("button", { type: "button", class: "quiet", "data-key": "help", "aria-label": "Keys and help", title: "Keys and help (?)", onclick: () => on.help() }, "?"),
  );
}
