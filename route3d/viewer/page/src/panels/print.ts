/** A printed page: the picture as it stands, and the listed findings. */

import { fill, h } from "../dom";
import { DECIDED_WORDS, decisionOf, isKept } from "../decisions";
import { passing } from "../filter";
import type { Store } from "../store";
import { type Lengths, counted } from "../units";
import { SEVERITY_MARKS, compared } from "../words";
import { table } from "./common";

const MOST = 400;

export function printing(host: HTMLElement, store: Store, scene: { picture(): string }, lengths: Lengths): void {
  window.addEventListener("beforeprint", () => {
    const state = store.get();
    const listed = passing(state.review, state.filter);
    const kept = isKept(state.review);
    const rows = listed.slice(0, MOST).map((f) => {
      const [got, asked] = compared(f, (metres) => lengths.show(metres));
      const decision = decisionOf(state.review, f);
      const said = decision === null ? [] : [DECIDED_WORDS[decision.decided].words, decision.owner, decision.due].filter((part) => part !== "");
      return [
        String(f.number), `${SEVERITY_MARKS[f.severity]} ${f.severity}`, f.check, f.run ?? "", `${f.message} → ${f.remedy}`, got, asked, f.rule,
        ...(kept ? [said.join("; ")] : []),
      ];
    });
    const left = listed.length - rows.length;
    const unread = state.review.unread;
    fill(
      host,
      h("img", { src: scene.picture(), alt: "The picture as it was seen" }),
      h("h2", {}, `${counted(listed.length, "finding")}${listed.length < state.review.findings.length ? ` of ${state.review.findings.length}` : ""}`),
      table(["No.", "Severity", "Check", "Run", "What is wrong, and what would mend it", "Measured", "Required", "Rule", ...(kept ? ["Decided"] : [])], rows, [0]),
      left > 0 && h("p", {}, `${counted(left, "more finding")} ${left === 1 ? "is" : "are"} not on this page: narrow the list, or send the report.`),
      unread.length > 0 && h("h2", {}, `${counted(unread.length, "thing")} not read`),
      unread.length > 0 && table(["File", "Handle", "Layer", "Kind", "Why"], unread.map((u) => [u.file, u.handle, u.layer, u.kind, u.reason])),
    );
  });
  window.addEventListener("afterprint", () => fill(host));
}
