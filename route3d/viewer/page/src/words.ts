/** Signs and words that stand beside every colour, so that colour never says anything alone. */

import { s } from "./dom";
import type { Finding, Severity, Verdict } from "./payload";

export const VERDICTS: Verdict[] = ["fail", "unchecked", "pass"];
export const SEVERITIES: Severity[] = ["violation", "caution", "note"];

export const VERDICT_WORDS: Record<Verdict, { mark: string; one: string; many: string }> = {
  fail: { mark: "✘", one: "fails", many: "fail" },
  unchecked: { mark: "?", one: "not fully checked", many: "not fully checked" },
  pass: { mark: "✔", one: "passes", many: "pass" },
};

export const SEVERITY_MARKS: Record<Severity, string> = { violation: "✘", caution: "!", note: "·" };

export const SOURCE_WORDS: Record<string, string> = {
  memory: "value from memory: compare with the printed edition",
  practice: "practice of the trade, not code",
  project: "stated by the project",
};

export const STEP_WORDS: Record<string, string> = {
  fact: "Measured",
  rule: "Rule",
  condition: "Condition",
  exemption: "Exemption tried",
  verdict: "So",
};

/** Outlines on a square of 16 by 16, by the name of the shape: the flat views of the solids that mark the checks. */
export const SHAPES: Record<string, string> = {
  ring: "M8 1a7 7 0 1 0 .01 0ZM8 5a3 3 0 1 1-.01 0Z",
  octahedron: "M8 .8 15.2 8 8 15.2 .8 8Z",
  cube: "M2.5 2.5h11v11h-11Z",
  cone: "M8 1.5 14.5 14.5H1.5Z",
  cup: "M1.5 1.5h13L8 14.5Z",
  drop: "M8 .8C11 5 13 7.3 13 10a5 5 0 0 1-10 0C3 7.3 5 5 8 .8Z",
  prism: "M1.5 14.5V2L14.5 9.5V14.5Z",
  disk: "M1 6h14v4.5H1Z",
  balls: "M8 1a3.4 3.4 0 1 0 .01 0ZM4.4 8a3.4 3.4 0 1 0 .01 0ZM11.6 8a3.4 3.4 0 1 0 .01 0Z",
  pair: "M2 1.5h4.5v13H2ZM9.5 1.5H14v13H9.5Z",
  plate: "M6 1h4v5h5v4h-5v5H6v-5H1V6h5Z",
  jack: "M3.5 1 8 5.5 12.5 1 15 3.5 10.5 8 15 12.5 12.5 15 8 10.5 3.5 15 1 12.5 5.5 8 1 3.5Z",
  sphere: "M8 1.5a6.5 6.5 0 1 0 .01 0Z",
};

const CHECK_SHAPES: Record<string, string> = {
  bend: "ring",
  clash: "octahedron",
  clearance: "cube",
  securing: "cone",
  supporting: "cup",
  environment: "drop",
  framing: "prism",
  deck: "disk",
  bundle: "balls",
  separation: "pair",
  penetration: "plate",
  input: "jack",
};

/** Return the outline that marks a check; `shape` is the name that the server gives, if it gives one. */
export function outline(check: string, shape?: string): string {
  return SHAPES[shape ?? ""] ?? SHAPES[CHECK_SHAPES[check] ?? ""] ?? SHAPES["sphere"] ?? "";
}

/** The marker of a check as a small picture; filled for a violation, open for the rest. */
export function marker(check: string, severity: Severity, shape?: string): SVGElement {
  return s(
    "svg",
    { class: `marker ${severity}`, viewBox: "0 0 16 16", width: 14, height: 14, "aria-hidden": "true" },
    s("path", { d: outline(check, shape), "fill-rule": "evenodd" }),
  );
}

/** What a finding measured and what was asked, in words; empty where it compares nothing. */
export function compared(finding: Finding, length: (metres: number) => string): [string, string] {
  return [figure(finding.measured, finding.unit, length), figure(finding.required, finding.unit, length)];
}

function figure(value: number | null, unit: string, length: (metres: number) => string): string {
  if (value === null) return "";
  if (unit === "m") return length(value);
  const digits = Math.abs(value) >= 100 || Number.isInteger(value) ? 0 : 1;
  return `${value.toFixed(digits)}${unit === "deg" ? "°" : unit === "" ? "" : ` ${unit}`}`;
}
