/** Which findings are listed and marked in the picture. */

import { decisionOf, dueOf, today } from "./decisions";
import type { Finding, Review } from "./payload";

/** An empty list or text lets everything through. */
export interface Filter {
  text: string;
  severities: string[];
  checks: string[];
  rules: string[];
  runs: string[];
  groups: string[];
  storeys: string[];
  decided: string[];
  owners: string[];
  due: string[];
}

export const NO_FILTER: Filter = {
  text: "", severities: [], checks: [], rules: [], runs: [], groups: [], storeys: [], decided: [], owners: [], due: [],
};

/** What is listed: findings, and what was decided about them. */
export type Listed = Pick<Review, "findings" | "decisions" | "saved_as">;

/** The columns that can be narrowed, and what a finding has there. */
export const FIELDS: Record<Exclude<keyof Filter, "text">, (finding: Finding, review: Listed) => string> = {
  severities: (f) => f.severity,
  checks: (f) => f.check,
  rules: (f) => f.rule,
  runs: (f) => f.run ?? "",
  groups: (f) => f.group,
  storeys: (f) => f.storey,
  decided: (f, review) => decisionOf(review, f)?.decided ?? "open",
  owners: (f, review) => decisionOf(review, f)?.owner ?? "",
  due: (f, review) => dueOf(decisionOf(review, f), today()),
};

export type Field = keyof typeof FIELDS;

export function isOpen(filter: Filter): boolean {
  return filter.text.trim() === "" && (Object.keys(FIELDS) as Field[]).every((field) => filter[field].length === 0);
}

/** Return the findings that pass, in the order given. Every word of the text must occur somewhere. */
export function passing(review: Listed, filter: Filter): Finding[] {
  const words = filter.text.toLowerCase().split(/\s+/).filter((word) => word !== "");
  const asked = (Object.keys(FIELDS) as Field[])
    .filter((field) => filter[field].length > 0)
    .map((field) => ({ of: FIELDS[field], allowed: new Set(filter[field]) }));
  return review.findings.filter(
    (finding) =>
      asked.every(({ of, allowed }) => allowed.has(of(finding, review))) &&
      (words.length === 0 || words.every((word) => searchable(finding).includes(word) || decidedText(review, finding).includes(word))),
  );
}

function decidedText(review: Listed, finding: Finding): string {
  const decision = decisionOf(review, finding);
  return decision === null ? "" : [decision.note, decision.owner, decision.by, decision.due].join("\n").toLowerCase();
}

const texts = new WeakMap<Finding, string>();

function searchable(finding: Finding): string {
  let text = texts.get(finding);
  if (text === undefined) {
    const { number, severity, check, run, other, rule, message, remedy, group, storey, id } = finding;
    text = [`#${number}`, severity, check, run, other, rule, message, remedy, group, storey, id].join("\n").toLowerCase();
    texts.set(finding, text);
  }
  return text;
}

/** What can be chosen in a field, with how many findings have it, most first. */
export function choices(review: Review, field: Field): [string, number][] {
  const counts = new Map<string, number>();
  for (const finding of review.findings) {
    const value = FIELDS[field](finding, review);
    counts.set(value, (counts.get(value) ?? 0) + 1);
  }
  return [...counts].sort((a, b) => b[1] - a[1] || a[0].localeCompare(b[0]));
}
