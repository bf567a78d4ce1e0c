/** What a check of changed runs does to the review that the page holds, and how to say it. */

import type { Checked, Finding, Review } from "./payload";
import { counted } from "./units";
import { SEVERITIES, VERDICT_WORDS } from "./words";

export function merged(review: Review, news: Checked): Review {
  const runs = news.runs.length === 0 && news.runs_gone.length === 0 ? review.runs : replaced(review.runs, news.runs, news.runs_gone);
  const findings = replaced(review.findings, news.findings, news.findings_gone).sort(worstFirst);
  const chains = { ...review.chains, ...news.chains };
  for (const id of news.findings_gone) delete chains[id];
  return { ...review, revision: news.revision, runs, findings, chains, summary: news.summary, saved_as: news.saved_as };
}

function replaced<T extends { id: string }>(old: readonly T[], changed: readonly T[], gone: readonly string[]): T[] {
  const now = new Map(changed.map((item) => [item.id, item]));
  const lost = new Set(gone);
  const kept = old.filter((item) => !lost.has(item.id)).map((item) => {
    const next = now.get(item.id) ?? item;
    now.delete(item.id);
    return next;
  });
  return [...kept, ...now.values()];
}

function worstFirst(a: Finding, b: Finding): number {
  return SEVERITIES.indexOf(a.severity) - SEVERITIES.indexOf(b.severity) || a.number - b.number;
}

/** One or two sentences on what a check changed; empty where nothing did. */
export function changeWords(before: Review, after: Review): string {
  const old = new Map(before.runs.map((run) => [run.id, run.verdict]));
  const turned = after.runs.filter((run) => old.get(run.id) !== run.verdict);
  const known = new Set(before.findings.map((f) => f.id));
  const still = new Set(after.findings.map((f) => f.id));
  const fresh = after.findings.filter((f) => !known.has(f.id)).length;
  const gone = before.findings.filter((f) => !still.has(f.id)).length;
  const parts = turned.slice(0, 3).map((run) => `${run.id} ${VERDICT_WORDS[run.verdict].one} now.`);
  if (turned.length > 3) parts.push(`${counted(turned.length - 3, "more run")} changed.`);
  const left = new Set(after.runs.map((run) => run.id));
  const out = before.runs.filter((run) => !left.has(run.id));
  if (out.length > 0) parts.push(out.length === 1 ? `${out[0].id} is out.` : `${counted(out.length, "run")} are out.`);
  if (gone > 0) parts.push(`${counted(gone, "finding")} gone.`);
  if (fresh > 0) parts.push(`${counted(fresh, "new finding")}.`);
  return parts.join(" ");
}
