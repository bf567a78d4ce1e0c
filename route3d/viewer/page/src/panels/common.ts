/** Small things that several panels show alike. */

import { h } from "../dom";
import type { Finding, Verdict } from "../payload";
import type { State, Store } from "../store";
import { SOURCE_WORDS, SEVERITY_MARKS, VERDICT_WORDS, marker } from "../words";

/** A verdict: sign, word and colour. */
export function verdict(value: Verdict): HTMLElement {
  const { mark, one } = VERDICT_WORDS[value];
  return h("span", { class: `verdict ${value}` }, h("span", { class: "sign", "aria-hidden": "true" }, mark), one);
}

/** A rule with the remark that its value is from memory or from practice, where it is. */
export function rule(name: string, source: string): HTMLElement {
  const remark = SOURCE_WORDS[source];
  return h("span", { class: "rule" }, name, remark !== undefined && h("em", {}, ` (${remark})`));
}

/** A finding as a line that can be chosen. */
export function findingLine(store: Store, finding: Finding): HTMLElement {
  const state = store.get();
  const chosen = state.selection.finding === finding.id;
  return h(
    "li",
    {},
    h(
      "button",
      {
        type: "button", class: `line ${finding.severity}${chosen ? " chosen" : ""}`, "aria-pressed": String(chosen),
        onclick: () => store.select({ finding: finding.id }, "panel"),
      },
      marker(finding.check, finding.severity, state.review.checks[finding.check]?.shape),
      h("b", {}, `${finding.number}`),
      h("span", { class: "sign", "aria-hidden": "true" }, SEVERITY_MARKS[finding.severity]),
      h("span", { class: "said" }, `${finding.severity}: ${finding.message}`),
    ),
  );
}

export function section(title: string, ...children: (Node | string | false | null)[]): HTMLElement {
  return h("section", {}, h("h3", {}, title), ...children);
}

export function table(headings: string[], rows: (Node | string)[][], numbers: number[] = []): HTMLElement {
  const cls = (k: number): string | null => (numbers.includes(k) ? "number" : null);
  return h(
    "table",
    { class: "plain" },
    h("thead", {}, h("tr", {}, headings.map((text, k) => h("th", { scope: "col", class: cls(k) }, text)))),
    h("tbody", {}, rows.map((row) => h("tr", {}, row.map((cell, k) => h("td", { class: cls(k) }, cell))))),
  );
}

const opened = new Set<string>();

/** A part that can be folded away; whether it is open outlives the redrawing of its panel. */
export function folding(key: string, cls: string, title: string, ...children: (Node | string | false | null)[]): HTMLElement {
  return h(
    "details",
    {
      class: cls, open: opened.has(key),
      ontoggle: (event: Event) => {
        const { open, isConnected } = event.target as HTMLDetailsElement;
        if (!isConnected) return; // it was drawn anew meanwhile
        if (open) opened.add(key);
        else opened.delete(key);
      },
    },
    h("summary", { "data-key": key }, title),
    ...children,
  );
}

/**
 * Draw again when one of these parts of the state is another one. What had the focus keeps it, by its data-key, and
 * what is being typed stays.
 */
export function redraw(store: Store, host: HTMLElement, parts: (keyof State)[], draw: (state: State) => void): () => void {
  const again = (state: State): void => {
    const focused = document.activeElement;
    const held = focused instanceof HTMLElement && host.contains(focused) ? focused : null;
    const key = held?.dataset["key"];
    const half = held instanceof HTMLInputElement && held.type === "text" && held.value !== held.defaultValue;
    draw(state);
    if (held === null || key === undefined) return;
    const heir = [...host.querySelectorAll<HTMLElement>("[data-key]")].find((e) => e.dataset["key"] === key);
    heir?.focus({ preventScroll: true });
    if (half && heir instanceof HTMLInputElement && !heir.disabled) heir.value = held.value;
  };
  let stale = false;
  store.subscribe((now, before) => {
    stale ||= parts.some((part) => now[part] !== before[part]);
    if (!stale || host.closest("[hidden]:not([data-alone])") !== null) return; // drawn when its tab is opened
    stale = false;
    again(now);
  });
  draw(store.get());
  return () => again(store.get());
}
