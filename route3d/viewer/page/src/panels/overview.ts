/** The job at a glance: runs by verdict, findings by check and by what they are against, the worst ten. */

import { fill, h } from "../dom";
import { type Field, NO_FILTER } from "../filter";
import type { Finding, Severity } from "../payload";
import { type State, type Store, withoutRoute } from "../store";
import { counted } from "../units";
import { SEVERITIES, VERDICTS, VERDICT_WORDS, marker } from "../words";
import { findingLine, redraw, section, table, verdict } from "./common";
import { decisionsSection } from "./decisions";
import { trendSection } from "./trend";

const WORST = 10;

export function overviewPanel(host: HTMLElement, store: Store): void {
  redraw(store, host, ["review", "selection"], (state) => {
    const scrolled = host.scrollTop;
    fill(
      host, h("h2", { class: "unseen" }, "Overview"), runs(state, store), decisionsSection(state, store),
      trendSection(state, host.clientWidth - 34), byCheck(state, store), byGroup(state, store), worst(state, store), files(state),
    );
    host.scrollTop = scrolled;
  });
}

function runs(state: State, store: Store): HTMLElement {
  const total = state.review.runs.length;
  const counts = VERDICTS.map((v) => [v, state.review.runs.filter((run) => run.verdict === v)] as const);
  return section(
    `Runs (${total})`,
    h(
      "div", { class: "stack", role: "img", "aria-label": counts.map(([v, r]) => `${r.length} ${VERDICT_WORDS[v].many}`).join(", ") },
      counts
        .filter(([, r]) => r.length > 0)
        .map(([v, r]) => h("span", { class: `part ${v}`, style: `flex-grow:${r.length}` }, `${VERDICT_WORDS[v].mark} ${r.length}`)),
    ),
    h(
      "div", { class: "verdicts" },
      counts.map(([v, list]) =>
        h(
          "details", kept(v, v === "unchecked" && list.length > 0 && list.length <= 8),
          h("summary", {}, verdict(v), h("b", {}, ` ${list.length}`)),
          h(
            "ul", { class: "chips" },
            list.map((run) =>
              h(
                "li", {},
                h(
                  "button",
                  {
                    type: "button", "data-key": `run-${run.id}`, "aria-pressed": String(state.selection.run === run.id),
                    onclick: () => store.select({ run: run.id }, "panel"),
                  },
                  run.id,
                ),
              ),
            ),
          ),
        ),
      ),
    ),
    ends(state, store),
  );
}

/** Runs given by their ends only: nothing of them is checked. */
function ends(state: State, store: Store): HTMLElement | null {
  const list = withoutRoute(state);
  if (list.length === 0) return null;
  return h(
    "details", kept("ends", list.length <= 8),
    h("summary", {}, h("span", { class: "verdict unchecked" }, "○ without a route"), h("b", {}, ` ${list.length}`)),
    h(
      "ul", { class: "chips" },
      list.map(({ id }) =>
        h(
          "li", {},
          h("button", { type: "button", "data-key": `ends-${id}`, "aria-pressed": String(state.selection.run === id), onclick: () => store.select({ run: id }, "panel") }, id),
        ),
      ),
    ),
  );
}

const opened = new Map<string, boolean>();

/** A list stays open, or shut, while the panel is drawn again. */
function kept(name: string, first: boolean): { open: boolean; ontoggle: (event: Event) => void } {
  return {
    open: opened.get(name) ?? first,
    ontoggle: (event) => opened.set(name, (event.currentTarget as HTMLDetailsElement).open),
  };
}

function byCheck(state: State, store: Store): HTMLElement {
  const label = (check: string): (Node | string)[] => {
    const about = state.review.checks[check];
    return [marker(check, "violation", about?.shape), h("span", { title: about?.title ?? "" }, check)];
  };
  return section("Findings by check", bars(state, store, "checks", (f) => f.check, label));
}

function byGroup(state: State, store: Store): HTMLElement {
  return section(
    "Findings by what they are against",
    bars(state, store, "groups", (f) => f.group, (group) => [group === "" ? "nothing else" : group]),
  );
}

/** Bars with their numbers; each narrows the table to what it counts. */
function bars(
  state: State, store: Store, field: Field, key: (finding: Finding) => string, label: (value: string) => (Node | string)[],
): HTMLElement {
  const counts = new Map<string, Record<Severity, number>>();
  for (const finding of state.review.findings) {
    const row = counts.get(key(finding)) ?? { violation: 0, caution: 0, note: 0 };
    row[finding.severity] += 1;
    counts.set(key(finding), row);
  }
  const total = (row: Record<Severity, number>): number => row.violation + row.caution + row.note;
  const rows = [...counts].sort((a, b) => b[1].violation - a[1].violation || total(b[1]) - total(a[1]));
  const most = Math.max(1, ...rows.map(([, row]) => total(row)));
  if (rows.length === 0) return h("p", { class: "soft" }, "No finding.");
  return h(
    "ul", { class: "bars" },
    rows.map(([value, row]) => {
      const words = SEVERITIES.filter((s) => row[s] > 0).map((s) => counted(row[s], s)).join(", ");
      return h(
        "li", {},
        h(
          "button",
          {
            type: "button", "data-key": `${field}-${value}`, title: "List only these",
            onclick: () => store.update({ filter: { ...NO_FILTER, [field]: [value] } }),
          },
          h("span", { class: "name" }, label(value)),
          h(
            "span", { class: "bar" },
            SEVERITIES.filter((s) => row[s] > 0).map((s) => h("span", { class: s, style: `width:${(100 * row[s]) / most}%` })),
          ),
          h("span", { class: "unseen" }, words),
          h("span", { class: "count", "aria-hidden": "true" }, words.replace(/ (violation|caution|note)s?/g, (_, w: string) => ({ violation: " ✘", caution: " !", note: " ·" })[w] ?? "")),
        ),
      );
    }),
  );
}

function worst(state: State, store: Store): HTMLElement {
  const list = state.review.findings.slice(0, WORST);
  return section(
    list.length < WORST ? "Worst first" : `The worst ${WORST}`,
    list.length === 0
      ? h("p", { class: "soft" }, "No finding.")
      : h("ul", { class: "lines" }, list.map((finding) => findingLine(store, finding))),
  );
}

function files(state: State): HTMLElement {
  const { inputs, notes, rules, made } = state.review;
  return section(
    "What was checked",
    h("p", { class: "soft" }, `Rule set ${rules}, checked ${made.replace("T", " ").replace("Z", " UTC")}.`),
    table(
      ["File", "Unit", "Entities", "Triangles"],
      inputs.map((f) => [f.file, f.unit, f.entities.toLocaleString("en"), f.triangles.toLocaleString("en")]), [2, 3],
    ),
    notes.length > 0 && h("ul", { class: "notes" }, notes.map((text) => h("li", {}, text))),
  );
}
