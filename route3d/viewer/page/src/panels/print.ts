/** A printed page: the picture as it stands, the chosen finding, and all that are listed. On paper it is always light. */

import { fill, h } from "../dom";
import { DECIDED_WORDS, decisionOf, isKept } from "../decisions";
import { passing } from "../filter";
import type { Finding, Review } from "../payload";
import { type State, type Store, findingOf } from "../store";
import { type Lengths, counted } from "../units";
import { SEVERITY_MARKS, compared } from "../words";
import { rule, table } from "./common";

const MOST = 400;

interface Pictured {
  picture(): string;
  setTheme(theme: "light" | "dark"): void;
}

export function printing(host: HTMLElement, store: Store, scene: Pictured, lengths: Lengths): void {
  const root = document.documentElement;
  let theme = "";
  const margins = h("style", { media: "print" });
  document.head.append(margins);
  window.addEventListener("beforeprint", () => {
    theme = root.dataset["theme"] ?? "light";
    root.dataset["theme"] = "light";
    scene.setTheme("light");
    const state = store.get();
    margins.textContent = `@page { @bottom-left { content: ${quoted(state.review.caution)}; } @bottom-right { content: counter(page) " of " counter(pages); } }`;
    fill(host, sheet(state, scene.picture(), (metres) => lengths.show(metres)));
  });
  window.addEventListener("afterprint", () => {
    fill(host);
    root.dataset["theme"] = theme;
    scene.setTheme(theme === "dark" ? "dark" : "light");
  });
}

function sheet(state: State, picture: string, length: (metres: number) => string): (HTMLElement | false)[] {
  const { review } = state;
  const listed = passing(review, state.filter);
  const kept = isKept(review);
  const rows = listed.slice(0, MOST).map((f) => {
    const [got, asked] = compared(f, length);
    const what = h("span", {}, h("b", {}, `${SEVERITY_MARKS[f.severity]} ${f.severity}`), h("br", {}), f.check);
    return [String(f.number), what, h("span", { class: "whole" }, f.run ?? ""), said(f), got, asked, rule(f.rule, f.source), ...(kept ? [decided(review, f)] : [])];
  });
  const left = listed.length - rows.length;
  const chosen = findingOf(state, state.selection.finding);
  const all = listed.length === review.findings.length;
  return [
    h("p", { class: "soft" }, `Rules ${review.rules}, checked ${review.made}${state.line.unsaved > 0 ? `, with ${counted(state.line.unsaved, "changed run")} that ${state.line.unsaved === 1 ? "is" : "are"} not saved` : ""}`),
    h("img", { src: picture, alt: "The picture as it was seen" }),
    chosen !== null && h("p", { class: "chosen" }, h("b", {}, `${chosen.number} ${SEVERITY_MARKS[chosen.severity]} ${chosen.check} ${chosen.run ?? ""}: `), said(chosen), " ", h("span", { class: "soft" }, rule(chosen.rule, chosen.source))),
    h("h2", {}, all ? counted(listed.length, "finding") : `${listed.length} of ${counted(review.findings.length, "finding")}, as they were filtered`),
    table(["No.", "Check", "Run", "What is wrong, and what would mend it", "Measured", "Required", "Rule", ...(kept ? ["Decided"] : [])], rows, [0, 4, 5]),
    left > 0 && h("p", {}, `${counted(left, "more finding")} ${left === 1 ? "is" : "are"} not on this page: narrow the list, or send the report.`),
    review.unread.length > 0 && h("h2", {}, `${counted(review.unread.length, "thing")} not read`),
    review.unread.length > 0 && table(["File", "Handle", "Layer", "Kind", "Why"], review.unread.map((u) => [u.file, u.handle, u.layer, u.kind, u.reason])),
  ];
}

function decided(review: Review, finding: Finding): string {
  const decision = decisionOf(review, finding);
  if (decision === null) return "";
  return [DECIDED_WORDS[decision.decided].words, decision.owner, decision.due].filter((part) => part !== "").join("; ");
}

function said(finding: Finding): HTMLElement {
  return h("span", {}, finding.message, finding.remedy !== "" && h("span", { class: "mend" }, ` → ${finding.remedy}`));
}

/** Text as a string of a style sheet. */
function quoted(text: string): string {
  return `"${text.replace(/[^\p{L}\p{N} .,:;'()/-]/gu, (sign) => `\\${(sign.codePointAt(0) ?? 32).toString(16)} `)}"`;
}
