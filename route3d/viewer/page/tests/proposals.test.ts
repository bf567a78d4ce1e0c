import assert from "node:assert/strict";
import test from "node:test";
import { Edits } from "../src/edits";
import type { Aside, Edit, Option, Proposed, Review } from "../src/payload";
import { Proposals, askable, betweenEnds, isStale, longerWords, optionOf } from "../src/proposals";
import { apart, off } from "../src/scene/ghost";
import { type Proposing, Store, firstState, withoutRoute } from "../src/store";
import { Lengths } from "../src/units";
import { finding, review, run } from "./made";

const ENDS = { id: "L9", cable: "mc", radius_m: 0.006, from_m: [0, 0, 0] as [number, number, number], to_m: [3, 2, 0] as [number, number, number], start: null, end: "box" };

function option(some: Partial<Option>): Option {
  return {
    id: "p1", kind: "nudge", run: run({ verdict: "pass", length_m: 2.2 }), draft: { run: "L1", corners_m: [[0, 0, 0], [2, 0, 0.1]] }, straps: 1, holes: 0,
    change: { moved_m: 0.1, points_moved: 1, new_corners: 0, corners_gone: 0, straps_added: 0 }, passed: [], unchecked: [], ...some,
  };
}

function proposed(some: Partial<Proposed>): Proposed {
  return {
    say: "proposed", seq: 1, run: "L1", what: "mend", outcome: "found", revision: 1, seconds: 0.1, why: "", notes: [], before: { holes: 0 },
    options: [option({})], blocked: [], stuck: [], ...some,
  };
}

/** Proposals before a made-up server: what was asked, what was sent, and what was told. */
function table(some: Partial<Review> = {}): {
  store: Store; proposals: Proposals; asked: Aside[]; sent: Edit[]; told: string[]; line: { up: boolean };
} {
  const store = new Store(firstState(review({ without_route: [ENDS], ...some }), [], true));
  store.line({ state: "up" });
  const asked: Aside[] = [];
  const sent: Edit[] = [];
  const told: string[] = [];
  const line = { up: true };
  const edits: Edits = new Edits(store, { changed: () => sent.push(...edits.toSend()), draw: () => undefined });
  const proposals = new Proposals(store, edits, new Lengths("mm"), {
    ask: (order) => (line.up ? asked.push(order) : null),
    found: (proposing: Proposing) => told.push(`found ${proposing.run}`),
    adjust: (id) => told.push(`adjust ${id}`),
  });
  return { store, proposals, asked, sent, told, line };
}

test("a proposal is asked for failing runs and for runs with ends only, where the page may edit", () => {
  const { store } = table({ runs: [run({}), run({ id: "L2", verdict: "pass" }), run({ id: "L3", editable: false })] });
  const can = (id: string | null): unknown => askable(store.get(), id);
  assert.deepEqual([can("L1"), can("L2"), can("L3"), can("L9"), can("x"), can(null)], ["mend", null, null, "routes", null, null]);
  store.line({ editable: false });
  assert.deepEqual([can("L1"), can("L9")], [null, null]);
});

test("a run with ends only can be chosen, also through the finding that says so", () => {
  const { store } = table({ findings: [finding({}), finding({ id: "g", run: null, other: "L9" })] });
  store.select({ run: "L9" }, "panel");
  assert.equal(store.get().selection.run, "L9");
  store.select({ finding: "g" }, "table");
  assert.deepEqual(store.get().selection, { finding: "g", run: "L9", element: null });
  store.update({ review: { ...store.get().review, runs: [run({}), run({ id: "L9" })] } });
  assert.deepEqual(withoutRoute(store.get()), []);
});

test("what was found is taken over as one change, and undo takes it back", () => {
  const { store, proposals, asked, sent, told } = table();
  store.select({ run: "L1" }, "panel");
  proposals.ask();
  assert.deepEqual(asked, [{ do: "mend", run: "L1" }]);
  assert.equal(proposals.hear({ say: "searching", seq: 1, run: "L1", waiting: false, steps: 3, seconds: 0.4 }), true);
  assert.equal(store.get().proposing?.steps, 3);
  assert.equal(proposals.hear(proposed({})), true);
  assert.deepEqual(told, ["found L1"]);
  assert.match(store.get().notice, /passes, 200\.0 mm longer/);
  proposals.take(false);
  assert.deepEqual(sent, [{ run: "L1", corners_m: [[0, 0, 0], [2, 0, 0.1]] }]);
  assert.equal(store.get().proposing?.stage, "taken");
  assert.equal(store.get().undo.back, "the proposal for L1");
});

test("undoing or saving closes what was taken over", () => {
  const store = new Store(firstState(review({}), [], true));
  const edits: Edits = new Edits(store, { changed: () => edits.toSend(), draw: () => undefined });
  const proposals = new Proposals(store, edits, new Lengths("mm"), { ask: () => 1, found: () => undefined, adjust: () => undefined });
  proposals.ask("L1");
  proposals.hear(proposed({}));
  proposals.take(false);
  edits.undo();
  assert.equal(store.get().proposing, null);
});

test("one that speaks of an earlier state is checked again before it is taken", () => {
  const { store, proposals, asked, sent, told } = table();
  proposals.ask("L1");
  proposals.hear(proposed({}));
  store.update({ review: { ...store.get().review, revision: 2 } });
  assert.equal(isStale(store.get(), store.get().proposing as Proposing), true);
  proposals.take(true);
  assert.deepEqual(asked[1], { do: "try", proposal: "p1" });
  assert.equal(store.get().proposing?.stage, "again");
  assert.deepEqual(sent, []);
  proposals.hear(proposed({ seq: 2, revision: 2, options: [option({ change: null })] }));
  assert.equal(sent.length, 1);
  assert.deepEqual(told, ["found L1", "adjust L1"]);
  assert.equal(store.get().proposing, null, "its corners are open now");
});

test("one that passes no more is not taken, and what blocks it is shown", () => {
  const { store, proposals, sent } = table();
  proposals.ask("L1");
  proposals.hear(proposed({}));
  store.update({ review: { ...store.get().review, revision: 2 } });
  proposals.take(false);
  const blocked = [{ check: "clash", severity: "violation" as const, run: "L1", other: "L2", message: "overlaps", point_m: null }];
  proposals.hear(proposed({ seq: 2, outcome: "blocked", options: [], blocked }));
  assert.equal(store.get().proposing?.stage, "nothing");
  assert.match(store.get().proposing?.why ?? "", /does not pass any more/);
  assert.deepEqual(sent, []);
});

test("routes are gone through, and the chosen one routes the run", () => {
  const { store, proposals, asked, sent } = table();
  store.select({ run: "L9" }, "panel");
  proposals.ask();
  assert.deepEqual(asked, [{ do: "routes", run: "L9" }]);
  const draft: Edit = { run: "L9", corners_m: [[0, 0, 0], [3, 2, 0]], cable: "mc", added: true, straps_at_m: [0.2] };
  const options = ["p1", "p2", "p3"].map((id, k) => option({ id, draft: { ...draft, straps_at_m: [k] } }));
  proposals.hear(proposed({ run: "L9", what: "routes", before: null, least_m: 5, options }));
  proposals.choose(1);
  proposals.choose(2);
  proposals.choose(7);
  assert.equal(optionOf(store.get().proposing)?.id, "p3");
  proposals.choose(-1);
  assert.equal(optionOf(store.get().proposing)?.id, "p1");
  proposals.choose(1);
  proposals.take(false);
  assert.deepEqual(sent, [{ ...draft, straps_at_m: [1], deleted: false }]);
});

test("a search is given up, and what comes of it later is not shown", () => {
  const { store, proposals, asked } = table();
  proposals.ask("L1");
  proposals.stop();
  assert.deepEqual(asked[1], { do: "stop", of: 1 });
  assert.equal(store.get().proposing, null);
  assert.equal(proposals.hear(proposed({ outcome: "stopped", options: [] })), true);
  assert.equal(store.get().proposing, null);
});

test("each run keeps its own proposal while others are looked at", () => {
  const { store, proposals } = table({ runs: [run({}), run({ id: "L2" })] });
  store.select({ run: "L1" }, "panel");
  proposals.ask();
  proposals.hear(proposed({}));
  store.select({ run: "L2" }, "panel");
  assert.equal(store.get().proposing, null);
  store.select({ run: "L1" }, "panel");
  assert.equal(store.get().proposing?.stage, "found");
  proposals.drop();
  store.select({ run: "L2" }, "panel");
  store.select({ run: "L1" }, "panel");
  assert.equal(store.get().proposing, null);
});

test("without a line, and with a question that the server refuses, it is said", () => {
  const { store, proposals, line } = table();
  line.up = false;
  proposals.ask("L1");
  assert.equal(store.get().proposing?.stage, "failed");
  line.up = true;
  proposals.ask("L1");
  assert.equal(proposals.hear({ say: "failed", seq: 1, why: "a fault" }), true);
  assert.equal(store.get().proposing?.why, "a fault");
  assert.equal(proposals.hear({ say: "failed", seq: 8, why: "another matter" }), false);
  proposals.ask("L1");
  store.line({ state: "lost" });
  assert.equal(store.get().proposing?.stage, "failed");
});

test("what blocks is said where nothing was found", () => {
  const { store, proposals } = table();
  for (const [outcome, words] of [["blocked", /No change of L1/], ["late", /within 60 s/], ["passes", /Nothing is violated/]] as const) {
    proposals.ask("L1");
    const seq = 1 + ["blocked", "late", "passes"].indexOf(outcome);
    proposals.hear(proposed({ seq, outcome, options: [], why: outcome === "late" ? "nothing was found within 60 s" : "" }));
    assert.equal(store.get().proposing?.stage, "nothing");
    assert.match(store.get().proposing?.why ?? "", words);
  }
});

test("a route drawn by hand begins and ends where the run does, and says nothing else of its ends", () => {
  const made: Edit = { run: "L9", added: true, cable: "mc", start: "open", end: "open", corners_m: [[0.1, 0, 0], [3, 0, 0], [3, 1.9, 0.1]] };
  assert.deepEqual(betweenEnds(made, ENDS), { run: "L9", added: true, cable: "mc", corners_m: [[0, 0, 0], [3, 0, 0], [3, 2, 0]] });
  const back = { ...made, corners_m: [...(made.corners_m ?? [])].reverse() };
  assert.deepEqual(betweenEnds(back, ENDS).corners_m, [[0, 0, 0], [3, 0, 0], [3, 2, 0]]);
  const far: Edit = { ...made, corners_m: [[9, 9, 9], [8, 8, 8]] };
  assert.deepEqual(betweenEnds(far, ENDS).corners_m, far.corners_m, "too far away to mean that end");
});

test("lengths are compared in words", () => {
  const lengths = new Lengths("mm");
  assert.equal(longerWords(0.25, lengths), "250.0 mm longer");
  assert.equal(longerWords(-0.25, lengths), "250.0 mm shorter");
  assert.equal(longerWords(0.0001, lengths), "as long as before");
});

test("a proposal is drawn where it leaves the line of today", () => {
  const line = { points: [[0, 0, 0], [1, 0, 0], [1, 1, 0], [2, 1, 0], [2, 0, 0], [3, 0, 0]] as [number, number, number][], at: [0, 1, 2, 3, 4, 5] };
  const today = { points: [[0, 0, 0], [3, 0, 0]] as [number, number, number][], at: [0, 3] };
  const ends = (parts: { at: number[] }[]): number[][] => parts.map(({ at }) => [at[0], at[at.length - 1]]);
  assert.deepEqual(ends(off(line, today, 0.001)), [[1, 4]]);
  const leaves = { points: [[0, 0, 0], [3, 0, 0], [3.4, 0, 0]] as [number, number, number][], at: [0, 3, 3.4] };
  assert.deepEqual(ends(off(leaves, today, 0.001)), [[3, 3.4]], "a leg that only goes further");
  assert.deepEqual(off(today, today, 0.001), [today], "where only straps differ, the whole line is shown");
  assert.deepEqual(off(line, { points: [], at: [] }, 0.001), [line]);
  const then = option({ run: run({ line_m: line.points, line_at_m: line.at }) });
  const now = run({ line_m: today.points, line_at_m: today.at });
  assert.equal(apart(null, [then]).length, 6);
  assert.ok(apart(now, [then]).every(([x]) => x >= 0.9 && x <= 2.1), "the view goes to where they differ");
});
