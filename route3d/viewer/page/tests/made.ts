/** Small reviews for tests; nobody's project. */

import type { Finding, Review, Run } from "../src/payload";

export function finding(some: Partial<Finding>): Finding {
  return {
    id: "f", number: 1, check: "bend", severity: "violation", run: "L1", other: null, rule: "", source: "", at_m: null,
    point_m: null, measured: null, required: null, unit: "", message: "", remedy: "", unchecked: false, storey: "",
    group: "", gap_line_m: null, ...some,
  };
}

export function run(some: Partial<Run>): Run {
  return {
    id: "L1", cable: "mc", verdict: "fail", length_m: 2, radius_m: 0.006, storey: "", source: "project", editable: true,
    corners_m: [[0, 0, 0], [2, 0, 0]], start: { kind: "box", element: "b" }, end: { kind: "open", element: null },
    line_m: [[0, 0, 0], [2, 0, 0]], line_at_m: [0, 2], bends: [], supports: [], spans: [], zones: [], straps_at_m: [0.5],
    supports_at_m: [], ...some,
  };
}

export function review(some: Partial<Review>): Review {
  return {
    format: 1, revision: 1, project: "made up", rules: "nec-2023", made: "", caution: "", origin_m: [0, 0, 0], editable: true,
    live: true, units: { length: "mm" },
    summary: { runs: 1, runs_passed: 0, runs_failed: 1, runs_unchecked: 0, violations: 1, cautions: 0 }, unread: [], notes: [],
    inputs: [], roles: {}, checks: {}, cables: {}, runs: [run({})], findings: [finding({})], chains: {}, zones: [], plans: null,
    decisions: {}, decisions_number: 1, decisions_elsewhere: 0, decisions_trouble: "", past: [], past_count: 0, mended_count: 0,
    trend: [], saved_as: {},
    ...some,
  };
}
