/** The row above the table: words to look for, and what to list. */

import { fill, h } from "../dom";
import { type Field, NO_FILTER, choices, isOpen, passing } from "../filter";
import type { State, Store } from "../store";
import { counted } from "../units";
import { redraw } from "./common";

const NAMES: [Field, string, string][] = [
  ["severities", "Severity", "any severity"],
  ["checks", "Check", "any check"],
  ["runs", "Run", "any run"],
  ["rules", "Rule", "any rule"],
  ["groups", "Against", "anything"],
  ["storeys", "Storey", "any storey"],
  ["decided", "Decision", "any decision"],
  ["owners", "Owner", "any owner"],
  ["due", "Due", "any due date"],
];

export function filterBar(host: HTMLElement, store: Store): void {
  const search = h("input", {
    type: "search", id: "search", placeholder: "Words …", "aria-label": "List only findings with these words",
    spellcheck: "false", autocomplete: "off",
    oninput: () => store.update({ filter: { ...store.get().filter, text: search.value } }),
  });
  const menus = h("div", { class: "menus" });
  const count = h("span", { class: "soft count", role: "status" });
  const clear = h(
    "button",
    { type: "button", class: "quiet", id: "clear-filter", onclick: () => store.update({ filter: NO_FILTER }) },
    "Show all",
  );
  fill(host, search, menus, clear, count);
  redraw(store, menus, ["review", "filter"], (state) => {
    if (search.value !== state.filter.text) search.value = state.filter.text;
    const total = state.review.findings.length;
    const shown = passing(state.review, state.filter).length;
    count.textContent = shown === total ? counted(total, "finding") : `${shown} of ${total}`;
    clear.hidden = isOpen(state.filter);
    fill(menus, NAMES.map(([field, name, any]) => menu(state, store, field, name, any)));
  });
}

/** A choice with counts; one value at a time is what people want, several come from links and from the overview. */
function menu(state: State, store: Store, field: Field, name: string, any: string): HTMLElement | null {
  const values = choices(state.review, field);
  const chosen = state.filter[field];
  if (values.length < 2 && chosen.length === 0) return null;
  const gone = chosen.filter((value) => !values.some(([known]) => known === value));
  const select = h(
    "select",
    {
      "data-key": field, "aria-label": name, class: chosen.length > 0 ? "narrowed" : "",
      onchange: () => {
        const picked = select.selectedIndex === 0 ? [] : select.value === MANY ? chosen : [select.value.slice(1)];
        store.update({ filter: { ...store.get().filter, [field]: picked } });
      },
    },
    h("option", { value: "" }, any),
    chosen.length > 1 && h("option", { value: MANY, selected: true }, `${chosen.length} chosen`),
    gone.map((value) => option(value, 0, chosen)),
    values.map(([value, number]) => option(value, number, chosen)),
  );
  return select;
}

const MANY = "*";

/** Values get a sign before them, so that an empty one and any text of a drawing stay apart from our own. */
function option(value: string, number: number, chosen: string[]): HTMLElement {
  const selected = chosen.length === 1 && chosen[0] === value;
  return h("option", { value: `=${value}`, selected }, `${value === "" ? "none" : value} (${number})`);
}
