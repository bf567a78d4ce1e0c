/** What the keys do. */

import { byId, fill, h } from "../dom";
import { recall, remember } from "./frame";

const KEYS: [string, [string, string][]][] = [
  ["Findings", [
    ["↑ ↓", "in the table: next and previous finding; the view goes there"],
    ["N, B", "anywhere: next, back"],
    ["/", "look for words"],
    ["Enter", "in the table: go there again"],
    ["D", "decide about the chosen finding"],
  ]],
  ["Picture", [
    ["drag, wheel", "turn, come nearer; with the right button: shift"],
    ["arrows", "turn; with Shift: shift"],
    ["+ −", "nearer, farther"],
    ["0", "everything"],
    ["1 2 3 4", "plan, front, side, corner"],
    ["P", "parallel or perspective"],
  ]],
  ["Changing runs", [
    ["E", "change the chosen run"],
    ["M", "ask for a proposal for the chosen run"],
    ["drag", "move a corner; Alt: without snapping; Shift: choose several"],
    ["Delete", "take out the chosen corner or strap"],
    ["Ctrl+Z, Ctrl+Y", "undo, redo"],
    ["Ctrl+S", "save"],
    ["Esc", "give up what was begun"],
  ]],
  ["Page", [
    ["Tab", "from part to part"],
    ["← → ↑ ↓", "on an edge between two parts: move it"],
    ["?", "this list"],
  ]],
];

let single = true;

/** Whether keys without Ctrl do something outside of the picture and the table. */
export function singleKeys(): boolean {
  return single;
}

export function help(): { open(): void } {
  single = recall("single keys") !== "no";
  const dialog = byId("help") as HTMLDialogElement;
  const box = h("input", {
    type: "checkbox", checked: single,
    onchange: () => {
      single = box.checked;
      remember("single keys", single ? "yes" : "no");
    },
  });
  fill(
    dialog,
    h("h2", { id: "help-title" }, "Keys"),
    h(
      "div", { class: "help-body" },
      KEYS.map(([title, rows]) =>
        h("section", {}, h("h3", {}, title), h("dl", {}, rows.flatMap(([key, words]) => [h("dt", {}, h("kbd", {}, key)), h("dd", {}, words)]))),
      ),
    ),
      h("label", { class: "check" }, box, "single letters work as keys (N, B, D, E, M, /, ?)"),
    h("button", { type: "button", class: "main", onclick: () => dialog.close() }, "Close"),
  );
  dialog.setAttribute("aria-labelledby", "help-title");
  return {
    open: () => {
      if (!dialog.open) dialog.showModal();
    },
  };
}
