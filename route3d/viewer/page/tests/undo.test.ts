import assert from "node:assert/strict";
import test from "node:test";
import { Edits } from "../src/edits";
import type { Edit, Point, Run } from "../src/payload";
import { Store, firstState } from "../src/store";
import { review, run } from "./made";

const at = (x: number): Point[] => [[0, 0, 0], [x, 0, 0]];

/** The page's changes with a server that takes everything: what is sent is what stands. */
function bench(runs: Run[] = [run({ id: "L1" }), run({ id: "L2" })]) {
  const store = new Store(firstState(review({ runs }), [], true));
  const edits = new Edits(store, { changed: () => undefined, draw: () => undefined });
  return {
    store, edits,
    send: (): Edit[] => edits.toSend(),
    save: (): void => {
      edits.toSend();
      edits.saved();
    },
    read: (now: Run[]): void => {
      store.update({ review: review({ runs: now }) });
      edits.reconcile();
    },
    undo: () => store.get().undo,
  };
}

test("undo goes on behind a save, as a new change, and says so", () => {
  const { edits, send, save, read, undo } = bench();
  edits.change({ run: "L1", corners_m: at(3) }, "moving corner 2 of L1");
  assert.equal(undo().saved, false);
  save();
  read([run({ id: "L1", corners_m: at(3) }), run({ id: "L2" })]);
  assert.equal(edits.pending, 0);
  assert.deepEqual([undo().back, undo().saved, undo().behind], ["moving corner 2 of L1", true, 0]);
  assert.match(edits.undo(), /already written/);
  assert.deepEqual(send(), [{ run: "L1", corners_m: at(2) }]);
  assert.deepEqual([edits.pending, undo().back, undo().behind], [1, "", 1]);
  edits.redo();
  assert.deepEqual(send(), [{ run: "L1", corners_m: at(3) }]);
  assert.deepEqual([edits.pending, undo().behind], [0, 0]);
});

test("what was taken back and saved can be done again", () => {
  const { edits, send, save, undo } = bench();
  edits.change({ run: "L1", corners_m: at(3) }, "a");
  edits.undo();
  edits.change({ run: "L2", straps_at_m: [1] }, "b");
  edits.undo();
  save();
  assert.deepEqual([undo().forth, undo().behind], ["b", 0]);
  edits.redo();
  assert.deepEqual(send(), [{ run: "L2", straps_at_m: [1] }]);
});

test("a change made while the save was on its way is still to be sent, and is no part of what was saved", () => {
  const { edits, send, undo } = bench();
  edits.change({ run: "L1", corners_m: at(3) }, "a");
  send();
  edits.change({ run: "L1", corners_m: at(4) }, "b");
  edits.saved();
  assert.equal(undo().saved, false);
  assert.equal(edits.pending, 1);
  assert.deepEqual(send(), [{ run: "L1", corners_m: at(4) }]);
});

test("a run that was added here and saved is taken out by undo, and comes back whole", () => {
  const { edits, send, save, read } = bench();
  const made = { corners_m: at(1), cable: "mc", start: "open", end: "open" };
  edits.change({ run: "N1", ...made, added: true }, "new run N1");
  assert.equal(send()[0].added, true);
  save();
  read([run({ id: "L1" }), run({ id: "L2" }), run({ id: "N1", corners_m: at(1), straps_at_m: [] })]);
  edits.undo();
  assert.deepEqual(send(), [{ run: "N1", deleted: true }]);
  save(); // saved without it, it is a new run once more
  edits.redo();
  assert.deepEqual(send(), [{ run: "N1", ...made, deleted: false, added: true }]);
});

test("undo ends at a run that was taken out of the file, with whatever else was written of it", () => {
  const { edits, save, undo } = bench();
  edits.change({ run: "L2", corners_m: at(3) }, "a");
  edits.change({ run: "L1", deleted: true }, "taking out L1");
  edits.change({ run: "L2", corners_m: at(4) }, "b");
  save();
  assert.equal(undo().back, "b");
  edits.undo();
  assert.equal(undo().back, "");
  assert.match(undo().wall, /L1 is out of the file/);
});

test("undo ends at straps of a run drawn in CAD, which a save puts into a drawing", () => {
  const { edits, save, undo } = bench([run({ id: "L1", source: "drawing", straps_at_m: [] })]);
  edits.change({ run: "L1", straps_at_m: [1] }, "a strap more on L1");
  save();
  assert.equal(undo().back, "");
  assert.match(undo().wall, /drawing of their own/);
});

test("arcs drawn in CAD that went with a save are said not to be back", () => {
  const { edits, save } = bench([run({ id: "L1", source: "drawing", drawn_radius_m: [0, 0.1] })]);
  edits.change({ run: "L1", corners_m: at(3) }, "a");
  save();
  assert.match(edits.undo(), /Arcs that were drawn in L1 are not back/);
});

test("what somebody else changed in the files is not taken back", () => {
  const { edits, save, read, undo } = bench();
  edits.change({ run: "L2", corners_m: at(3) }, "a");
  edits.change({ run: "L1", corners_m: at(3) }, "b");
  edits.change({ run: "L2", corners_m: at(4) }, "c");
  save();
  read([run({ id: "L1", corners_m: at(7) }), run({ id: "L2", corners_m: at(4.00001) })]); // as rounded in the file
  assert.equal(undo().back, "c");
  edits.undo();
  assert.deepEqual([undo().back, undo().wall], ["", "L1 changed in the files"]);
});

test("drafts that were in force before the page was opened are taken back one by one", () => {
  const drafted = [run({ id: "L1", corners_m: at(3), changed: true }), run({ id: "N1", added: true, changed: true })];
  const { edits, send, undo } = bench(drafted);
  const whole = { straps_at_m: [0.5], supports_at_m: [], cable: "mc", start: null, end: null };
  edits.seed([
    { before: { run: "L1", corners_m: at(2), ...whole }, after: { run: "L1", corners_m: at(3), ...whole } },
    { before: { run: "L2", corners_m: at(2), ...whole }, after: { run: "L2", deleted: true } },
    { before: { run: "N1", deleted: true }, after: { run: "N1", corners_m: at(2), ...whole } },
  ]);
  assert.deepEqual(send(), []);
  assert.equal(edits.resend(), false, "what the server told need not be told to it");
  assert.equal(edits.current("L1")?.start, "box", "what the check found");
  edits.undo();
  assert.deepEqual(send(), [{ run: "N1", deleted: true }]);
  edits.undo();
  assert.deepEqual(send(), [{ run: "L2", corners_m: at(2), ...whole, deleted: false }]);
  edits.undo();
  assert.deepEqual(send(), [{ run: "L1", corners_m: at(2) }], "an end that nobody stated is not stated now");
  assert.equal(undo().back, "");
  edits.redo();
  assert.deepEqual(send(), [{ run: "L1", corners_m: at(3) }]);
});
