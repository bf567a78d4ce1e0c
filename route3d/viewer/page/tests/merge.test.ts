import assert from "node:assert/strict";
import test from "node:test";
import { changeWords, merged } from "../src/merge";
import type { Checked } from "../src/payload";
import { finding, review, run } from "./made";

const news = (some: Partial<Checked>): Checked => ({
  say: "checked", seq: 1, revision: 2, ms: 1, whole: false, runs: [], runs_gone: [], findings: [], findings_gone: [],
  chains: {}, summary: review({}).summary, unsaved: 1, notes: [], saved_as: {}, ...some,
});

test("changed runs and findings take the place of the old ones, gone ones go with their chains", () => {
  const before = review({
    runs: [run({ id: "L1" }), run({ id: "L2" })], findings: [finding({ id: "a" }), finding({ id: "b", number: 2 })],
    chains: { a: [{ step: "fact", text: "x" }] },
  });
  const after = merged(before, news({
    runs: [run({ id: "L1", verdict: "pass" }), run({ id: "new" })], runs_gone: ["L2"], findings_gone: ["a"],
    findings: [finding({ id: "b", number: 2, message: "now" }), finding({ id: "c", number: 3 })],
  }));
  assert.deepEqual(after.runs.map((r) => [r.id, r.verdict]), [["L1", "pass"], ["new", "fail"]]);
  assert.deepEqual(after.findings.map((f) => [f.id, f.message]), [["b", "now"], ["c", ""]]);
  assert.deepEqual(after.chains, {});
  assert.equal(after.revision, 2);
  assert.equal(before.findings.length, 2, "the old review stays as it was");
});

test("findings stay worst first, whatever number a new one has", () => {
  const before = review({ findings: [finding({ id: "note", severity: "note", number: 2 })] });
  const after = merged(before, news({ findings: [finding({ id: "late", number: 9 })] }));
  assert.deepEqual(after.findings.map((f) => f.id), ["late", "note"]);
});

test("what a check changed is said in words", () => {
  const before = review({});
  const after = review({ runs: [run({ verdict: "pass" })], findings: [] });
  assert.equal(changeWords(before, after), "L1 passes now. 1 finding gone.");
  assert.equal(changeWords(before, before), "");
});

test("a run that was not fully checked is never said to pass", () => {
  const words = changeWords(review({}), review({ runs: [run({ verdict: "unchecked" })] }));
  assert.match(words, /not fully checked/);
  assert.doesNotMatch(words, /pass/);
});
