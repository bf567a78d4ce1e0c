import assert from "node:assert/strict";
import test from "node:test";
import { decisionOf, dueOf, followed, isOverdue, missing, savedId } from "../src/decisions";
import { NO_FILTER, passing } from "../src/filter";
import type { Decision } from "../src/payload";
import { finding, review } from "./made";

const decision = (some: Partial<Decision>): Decision => ({
  number: 1, decided: "open", by: "", at: "", note: "", owner: "", due: "", since: "", doubtful: false, settled: false, history: [], history_count: 0, ...some,
});

const FINDINGS = [finding({ id: "a" }), finding({ id: "b" }), finding({ id: "c" })];
const KNOWN = review({
  findings: FINDINGS,
  decisions: {
    a: decision({ decided: "accepted", settled: true, due: "2000-01-01", owner: "crew" }),
    b: decision({ decided: "to-mend", due: "2000-01-01", owner: "crew", note: "Wider form" }),
  },
});

const ids = (known: typeof KNOWN, filter: object): string[] => passing(known, { ...NO_FILTER, ...filter }).map((f) => f.id);

test("findings are narrowed by decision, owner and due date; what nobody decided is open", () => {
  assert.deepEqual(ids(KNOWN, { decided: ["open"] }), ["c"]);
  assert.deepEqual(ids(KNOWN, { owners: ["crew"] }), ["a", "b"]);
  assert.deepEqual(ids(KNOWN, { due: ["overdue"] }), ["b"]);
  assert.deepEqual(ids(KNOWN, { text: "wider FORM" }), ["b"]);
});

test("an id that unsaved changes shifted leads to its own decision, a finding of such changes to none", () => {
  const drafted = { ...KNOWN, saved_as: { a: "b", c: null } };
  assert.equal(decisionOf(drafted, FINDINGS[0])?.decided, "to-mend");
  assert.equal(decisionOf(drafted, FINDINGS[2]), null);
  assert.equal(savedId(drafted, FINDINGS[2]), null);
  assert.deepEqual(ids(drafted, { decided: ["accepted"] }), []);
});

test("what is settled is never overdue, and a due day is not over before it has passed", () => {
  assert.ok(isOverdue(decision({ due: "2026-01-31" }), "2026-02-01"));
  assert.ok(!isOverdue(decision({ due: "2026-01-31" }), "2026-01-31"));
  assert.equal(dueOf(decision({ due: "2026-01-31", settled: true }), "2026-02-01"), "");
});

test("news in order are taken over, old ones left, and a gap asks for everything", () => {
  const now = followed(KNOWN, { decisions_number: 2, decisions: { c: decision({ decided: "not-ours" }) }, decisions_gone: ["a"], mended_count: 1 });
  assert.deepEqual(Object.keys(now?.decisions ?? {}), ["b", "c"]);
  assert.equal(now?.mended_count, 1);
  assert.equal(now?.past, KNOWN.past);
  assert.equal(followed(KNOWN, { decisions_number: 1, decisions: {} }), KNOWN);
  assert.equal(followed(KNOWN, { decisions_number: 3, decisions: {} }), null);
  assert.equal(followed(KNOWN, {}), KNOWN);
});

test("a decision needs a name, and accepting needs a reason", () => {
  assert.match(missing({ decided: "to-mend", by: " ", note: "" }), /who/);
  assert.match(missing({ decided: "accepted", by: "N. N.", note: " " }), /reason/);
  assert.equal(missing({ decided: "to-mend", by: "N. N.", note: "" }), "");
});
