/** Everything about the chosen run, and why the chosen finding stands. */

import { fill, h } from "../dom";
import type { Bend, Finding, Run, Span, WithoutRoute } from "../payload";
import { type State, type Store, chainOf, elementOf, elementWords, findingOf, findingsOf, runOf, withoutRoute } from "../store";
import type { Lengths } from "../units";
import { STEP_WORDS, compared, marker } from "../words";
import { findingLine, redraw, rule, section, table, verdict } from "./common";
import { type DecideActions, decisionPart } from "./decisions";
import { strip } from "./strip";
import { severity } from "./table";

const MOST_LINES = 60;

export function runPanel(host: HTMLElement, store: Store, lengths: Lengths, on: DecideActions): void {
  let about = store.get().selection;
  const draw = redraw(store, host, ["selection", "review", "deciding"], (state) => {
    const finding = findingOf(state, state.selection.finding);
    const run = runOf(state, state.selection.run);
    const scrolled = host.scrollTop;
    fill(host, body(state, store, lengths, run, finding, host.clientWidth, on));
    // what came in by a check or a decision leaves the place where somebody reads
    host.scrollTop = state.cause === "check" || state.selection === about ? scrolled : 0;
    about = state.selection;
  });
  let width = host.clientWidth;
  new ResizeObserver(() => {
    if (Math.abs(host.clientWidth - width) < 2) return;
    width = host.clientWidth;
    draw();
  }).observe(host);
}

function body(
  state: State, store: Store, lengths: Lengths, run: Run | null, finding: Finding | null, width: number, on: DecideActions,
): HTMLElement[] {
  const parts: HTMLElement[] = [];
  if (finding !== null) parts.push(what(state, lengths, finding), decisionPart(state, store, finding, on));
  if (run !== null) parts.push(head(state, store, lengths, run), unrolled(state, store, lengths, run, width));
  if (finding !== null) parts.push(...why(state, finding));
  if (run !== null) parts.push(...about(state, store, lengths, run));
  if (finding === null && run === null && state.selection.element !== null) parts.push(element(state, store));
  const ends = run === null ? withoutRoute(state).find(({ id }) => id === state.selection.run) : undefined;
  if (ends !== undefined) parts.push(endsOnly(state, lengths, ends));
  if (parts.length === 0) {
    parts.push(
      h(
        "div", { class: "empty" },
        h("p", {}, "Nothing is chosen."),
        h("p", {}, "Choose a finding in the table, or click a run or a numbered marker in the picture."),
      ),
    );
  }
  return parts;
}

function what(state: State, lengths: Lengths, finding: Finding): HTMLElement {
  const words = state.review.checks[finding.check];
  const [got, asked] = compared(finding, (metres) => lengths.both(metres));
  return h(
    "section",
    { class: "why", "aria-label": `finding ${finding.number}` },
    h(
      "h2", {}, marker(finding.check, finding.severity, words?.shape), ` ${finding.number} `,
      h("span", {}, words?.title ?? finding.check),
    ),
    h("p", {}, severity(finding), finding.unchecked && h("em", {}, " · takes the pass from the run")),
    h("p", { class: "message" }, finding.message),
    got !== "" &&
      h(
        "dl", { class: "facts" },
        h("dt", {}, "Measured"), h("dd", {}, got),
        asked !== "" && h("dt", {}, "Required"), asked !== "" && h("dd", {}, asked),
      ),
    h("p", { class: "remedy" }, h("b", {}, "What would mend it: "), finding.remedy),
    h("p", { class: "soft" }, rule(finding.rule, finding.source)),
    finding.other !== null && h("p", { class: "soft" }, "Against: ", against(state, finding.other)),
    finding.point_m !== null && h("p", { class: "soft" }, `At ${lengths.place(finding.point_m, state.review.origin_m)}`),
  );
}

/** The chain from what was measured to the verdict. */
function why(state: State, finding: Finding): HTMLElement[] {
  let last = "";
  const chain = chainOf(state, finding.id).flatMap(({ step, text }) => {
    const name = step === last ? "" : (STEP_WORDS[step] ?? step);
    last = step;
    return [h("dt", {}, name), h("dd", { class: step }, text)];
  });
  return chain.length === 0 ? [] : [section(`Why finding ${finding.number} stands`, h("dl", { class: "steps" }, chain))];
}

function against(state: State, other: string): string {
  return runOf(state, other) !== null ? `run ${other}` : elementWords(state, other);
}

function head(state: State, store: Store, lengths: Lengths, run: Run): HTMLElement {
  const cable = state.review.cables[run.cable];
  const end = (which: { kind: string; element: string | null }): string =>
    which.element === null ? which.kind : `${which.kind} (${elementWords(state, which.element)})`;
  return h(
      "section",
      { class: "run-head" },
      h("h2", {}, `Run ${run.id} `, verdict(run.verdict)),
      h(
        "dl", { class: "facts" },
        h("dt", {}, "Cable"), h("dd", {}, run.cable, cable !== undefined && cable.text !== "" && h("span", { class: "soft" }, ` ${cable.text}`)),
        h("dt", {}, "Length"), h("dd", {}, lengths.both(run.length_m)),
        h("dt", {}, "From"), h("dd", {}, end(run.start)),
        h("dt", {}, "To"), h("dd", {}, end(run.end)),
        run.storey !== "" && h("dt", {}, "Storey"), run.storey !== "" && h("dd", {}, run.storey),
        h("dt", {}, "Drawn in"), h("dd", {}, run.source === "project" ? "the project file" : "a drawing"),
      ),
      h(
        "div", { class: "buttons" },
        h(
          "button",
          {
            type: "button", "data-key": "edit-run", disabled: !state.line.editable || !run.editable,
            title: state.line.editable ? (run.editable ? "" : "This run cannot be changed here.") : state.line.whyNot,
            onclick: () => {
              store.update({ tab: "edit" });
              store.editing({ run: run.id, corner: null, adding: false });
            },
          },
          "Edit this run",
        ),
        h(
          "button",
          {
            type: "button", "data-key": "only-run",
            onclick: () => store.update({ filter: { ...store.get().filter, runs: [run.id] } }),
          },
          "List only its findings",
        ),
      ),
    );
}

/** A run that has no route yet. */
function endsOnly(state: State, lengths: Lengths, ends: WithoutRoute): HTMLElement {
  return h(
    "section", { class: "run-head" },
    h("h2", {}, `Run ${ends.id} `, h("span", { class: "verdict unchecked" }, "○ without a route")),
    h("p", {}, "Only its ends are given; nothing of it is checked."),
    h(
      "dl", { class: "facts" },
      h("dt", {}, "Cable"), h("dd", {}, ends.cable, h("span", { class: "soft" }, ` ${state.review.cables[ends.cable]?.text ?? ""}`)),
      h("dt", {}, "From"), h("dd", {}, `${ends.start ?? "not said"}, at ${lengths.place(ends.from_m, state.review.origin_m)}`),
      h("dt", {}, "To"), h("dd", {}, `${ends.end ?? "not said"}, at ${lengths.place(ends.to_m, state.review.origin_m)}`),
    ),
  );
}

function unrolled(state: State, store: Store, lengths: Lengths, run: Run, width: number): HTMLElement {
  const on = { finding: (id: string) => store.select({ finding: id }, "panel") };
  const { selection, review } = state;
  return section(
    "Unrolled",
    h(
      "div", { class: "strip-box" },
      strip(run, findingsOf(state, run.id), selection.finding, Math.max(width - 34, 240), review.origin_m[2], lengths, on),
    ),
    h("p", { class: "soft key" }, "■ secures · ○ only carries · ◆ framing, or a bend · hatched: exempt · ✘ fails"),
  );
}

function about(state: State, store: Store, lengths: Lengths, run: Run): HTMLElement[] {
  const findings = findingsOf(state, run.id);
  return [
    section(
      `Findings of this run (${findings.length})`,
      findings.length === 0
        ? h("p", { class: "soft" }, run.verdict === "pass" ? "None." : "None of its own; it was not fully checked.")
        : h("ul", { class: "lines" }, findings.slice(0, MOST_LINES).map((finding) => findingLine(store, finding))),
      findings.length > MOST_LINES && h("p", { class: "soft" }, `${findings.length - MOST_LINES} more: list only its findings, and see the table.`),
    ),
    section("Bends, inner edge", bends(run.bends, lengths)),
    section("Spans", spans(run.spans, lengths)),
    section("Held at", supports(state, run, lengths)),
    section(
      "Zones",
      run.zones.length === 0
        ? h("p", { class: "soft" }, "In no zone.")
        : table(["Zone", "Kind", "From", "To"], run.zones.map((z) => [z.name, z.kind, lengths.show(z.from_m), lengths.show(z.to_m)]), [2, 3]),
    ),
  ];
}

function bends(all: Bend[], lengths: Lengths): HTMLElement {
  if (all.length === 0) return h("p", { class: "soft" }, "No bend.");
  const rows = all.map((bend) => {
    const bad = bend.required_m !== null && bend.inner_radius_m + 1e-4 < bend.required_m;
    const state =
      bend.required_m === null
        ? h("span", { class: "verdict unchecked" }, "? no limit known")
        : h("span", { class: `verdict ${bad ? "fail" : "pass"}` }, bad ? "✘ too tight" : "✔ enough");
    return [
      lengths.show(bend.at_m), `${bend.angle_deg.toFixed(0)}°`, lengths.show(bend.inner_radius_m),
      bend.required_m === null ? "–" : lengths.show(bend.required_m), state,
    ];
  });
  return table(["At", "Turn", "Radius", "Required", "Result"], rows, [0, 1, 2, 3]);
}

function spans(all: Span[], lengths: Lengths): HTMLElement {
  if (all.length === 0) return h("p", { class: "soft" }, "None was judged.");
  const rows = all.map((span) => [
    h("span", { title: `${span.why}\n${span.rule}` }, span.check),
    `${lengths.show(span.from_m)} – ${lengths.show(span.to_m)}`,
    lengths.show(span.length_m),
    span.limit_m === null ? "no limit" : lengths.show(span.limit_m),
    span.exempt !== null
      ? h("span", { class: "soft", title: span.why }, `exempt: ${span.exempt}`)
      : h("span", { class: `verdict ${span.ok ? "pass" : "fail"}`, title: span.why }, span.ok ? "✔ ok" : "✘ fails"),
  ]);
  return table(["Check", "From – to", "Length", "Limit", "Result"], rows, [2, 3]);
}

function supports(state: State, run: Run, lengths: Lengths): HTMLElement {
  if (run.supports.length === 0) return h("p", { class: "soft" }, "Nothing holds it.");
  const rows = run.supports.map((p) => [
    lengths.show(p.at_m), p.kind, p.secures ? "secures" : "only carries",
    elementWords(state, p.source),
  ]);
  return table(["At", "What", "Does", "From"], rows, [0]);
}

function element(state: State, store: Store): HTMLElement {
  const found = elementOf(state, state.selection.element ?? "");
  if (found === null) return h("p", { class: "soft" }, "This element is not in the model any more.");
  const findings = state.review.findings.filter((f) => f.other === found.id);
  const facts: [string, string][] = [
    ["Role", found.role], ["Name", found.name], ["Layer", found.layer], ["File", found.file], ["Handle", found.handle],
    ["Storey", found.storey], ["GUID", found.guid],
  ];
  return h(
    "section", {},
    h("h2", {}, elementWords(state, found.id)),
    h("dl", { class: "facts" }, facts.filter(([, v]) => v !== "").flatMap(([n, v]) => [h("dt", {}, n), h("dd", {}, v)])),
    h("h3", {}, `Findings against it (${findings.length})`),
    h("ul", { class: "lines" }, findings.slice(0, MOST_LINES).map((finding) => findingLine(store, finding))),
  );
}
