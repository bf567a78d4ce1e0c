import assert from "node:assert/strict";
import test from "node:test";
import { Store, firstState } from "../src/store";
import { finding, review, run } from "./made";

const made = (): Store =>
  new Store(firstState(review({ runs: [run({ id: "L1" }), run({ id: "L2" })], findings: [
    finding({ id: "a", run: "L1", other: "L2" }), finding({ id: "b", run: "L1", other: "duct-1" }), finding({ id: "c", run: null }),
  ] }), [], true));

test("a selected finding brings its run and its element", () => {
  const store = made();
  store.select({ finding: "b" }, "table");
  assert.deepEqual(store.get().selection, { finding: "b", run: "L1", element: "duct-1" });
  store.select({ finding: "a" }, "table");
  assert.deepEqual(store.get().selection, { finding: "a", run: "L1", element: null });
});

test("what is not there any more cannot be selected", () => {
  const store = made();
  store.select({ finding: "gone", run: "also gone" }, "link");
  assert.deepEqual(store.get().selection, { finding: null, run: null, element: null });
});

test("a change made by a listener is told after the one that it hears of", () => {
  const store = made();
  const told: string[] = [];
  store.subscribe((now, before) => {
    if (now.tab !== before.tab && now.tab === "run") store.update({ notice: "first" });
  });
  store.subscribe((now) => told.push(`${now.tab} ${now.notice}`));
  store.update({ tab: "run" });
  assert.deepEqual(told, ["run ", "run first"]);
});

test("a report can change nothing, and says why", () => {
  const { line } = firstState(review({}), [], false);
  assert.equal(line.editable, false);
  assert.match(line.whyNot, /report/);
});
