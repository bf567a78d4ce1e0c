/** What was decided about findings, and how the words for it go; no drawing here. */

import type { Book, Decided, Decision, DecisionNews, Finding, Review } from "./payload";

export const DECIDED: Decided[] = ["open", "to-mend", "accepted", "not-ours"];

export const DECIDED_WORDS: Record<Decided, { mark: string; words: string }> = {
  open: { mark: "○", words: "open" },
  "to-mend": { mark: "▶", words: "to mend" },
  accepted: { mark: "✔", words: "accepted" },
  "not-ours": { mark: "↗", words: "not ours" },
};

export const PRESENCE_WORDS: Record<string, string> = {
  mended: "mended",
  "not-judged": "no longer found, but its run could not be judged in full",
  "not-looked-for": "its check did not run",
  "run-gone": "its run is gone",
};

export const EVENT_WORDS: Record<string, string> = {
  mended: "mended",
  "not-judged": "no longer found, not shown to be mended",
  "run-gone": "its run is gone",
  "found-again": "found again",
  "asked-again": "to be decided again",
  moved: "moved",
  renamed: "its run was renamed",
};

/** These two need a reason. */
export const NEEDS_REASON: Decided[] = ["accepted", "not-ours"];

type Known = Pick<Review, "decisions" | "saved_as">;

/** The id under which a finding is in the saved project; null: it is of changes that are not saved. */
export function savedId(review: Known, finding: Finding): string | null {
  const was = review.saved_as[finding.id];
  return was === undefined ? finding.id : was;
}

/** What holds about a finding; null where nothing is kept about it. */
export function decisionOf(review: Known, finding: Finding): Decision | null {
  const id = savedId(review, finding);
  return id === null ? null : (review.decisions[id] ?? null);
}

/** Whether decisions are kept on this project at all. */
export function isKept(review: Pick<Book, "trend">): boolean {
  return review.trend.length > 0;
}

/** The day by which due dates are judged: everywhere the same one. */
export function today(): string {
  return new Date().toISOString().slice(0, 10);
}

export function isOverdue(decision: Pick<Decision, "due" | "settled">, day: string): boolean {
  return decision.due !== "" && !decision.settled && decision.due < day;
}

export type Due = "overdue" | "in time" | "";

export function dueOf(decision: Decision | null, day: string): Due {
  if (decision === null || decision.due === "" || decision.settled) return "";
  return isOverdue(decision, day) ? "overdue" : "in time";
}

/** Take over what a server told; null: some of it was missed, all of it is to be asked for. */
export function followed(review: Review, news: DecisionNews): Review | null {
  const { decisions_number: number, decisions, decisions_gone: gone } = news;
  if (number === undefined || number <= review.decisions_number) return review;
  if (number > review.decisions_number + 1 || decisions === undefined) return null;
  const now = { ...review.decisions, ...decisions };
  for (const id of gone ?? []) delete now[id];
  const told: Partial<Book> = {};
  for (const key of ["decisions_trouble", "decisions_elsewhere", "past", "past_count", "mended_count", "trend"] as const) {
    if (news[key] !== undefined) Object.assign(told, { [key]: news[key] });
  }
  return { ...review, ...told, decisions: now, decisions_number: number };
}

/** What is missing in a decision before it can be sent, in a sentence; empty: nothing. */
export function missing(order: { decided: Decided; by: string; note: string }): string {
  if (order.by.trim() === "") return "Say who decides.";
  if (NEEDS_REASON.includes(order.decided) && order.note.trim() === "") {
    return `“${DECIDED_WORDS[order.decided].words}” needs a reason: say it in the note.`;
  }
  return "";
}

export function moment(text: string): string {
  return text.replace("T", " ").replace(/:\d\dZ$/, " UTC").replace("Z", " UTC");
}
