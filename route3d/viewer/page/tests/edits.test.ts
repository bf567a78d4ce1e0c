import assert from "node:assert/strict";
import test from "node:test";
import { absent, baseline, History } from "../src/history";
import type { Point, Run } from "../src/payload";
import { dragAlong, dragged, movedTogether, onAxis, onPlane } from "../src/scene/drag";
import { size, sub } from "../src/scene/line";
import { Projector, type Sight } from "../src/scene/sight";

const run = {
  id: "L1", cable: "mc-12-2", corners_m: [[0, 0, 0], [1, 0, 0], [1, 1, 0]], straps_at_m: [0.3], supports_at_m: [],
  start: { kind: "box", element: null }, end: { kind: "open", element: null },
} as unknown as Run;
const moved = (x: number): Point[] => [[0, 0, 0], [x, 0, 0], [1, 1, 0]];

test("a drag of many moves is one step of undo", () => {
  const history = new History();
  for (const x of [1.1, 1.2, 1.3]) history.record({ run: "L1", corners_m: moved(x) }, baseline(run), "g1", "move corner 2 of L1");
  assert.equal(history.undoLabel, "move corner 2 of L1");
  assert.deepEqual(history.undo(), [baseline(run)]);
  assert.equal(history.canUndo, false);
  assert.deepEqual(history.redo()[0].corners_m, moved(1.3));
});

test("an edit leaves what it does not name as it was", () => {
  const history = new History();
  history.record({ run: "L1", corners_m: moved(2) }, baseline(run), "a", "");
  history.record({ run: "L1", straps_at_m: [0.5] }, baseline(run), "b", "");
  assert.deepEqual(history.pending(), [{ ...baseline(run), corners_m: moved(2), straps_at_m: [0.5] }]);
  history.undo();
  assert.deepEqual(history.pending(), [{ ...baseline(run), corners_m: moved(2) }]);
});

test("what is undone back to the beginning is no longer pending", () => {
  const history = new History();
  history.record({ run: "L1", corners_m: moved(2) }, baseline(run), "a", "");
  history.undo();
  assert.deepEqual(history.pending(), []);
});

test("a new step after undo forgets what was undone", () => {
  const history = new History();
  history.record({ run: "L1", corners_m: moved(2) }, baseline(run), "a", "");
  history.undo();
  history.record({ run: "L1", corners_m: moved(3) }, baseline(run), "b", "");
  assert.equal(history.canRedo, false);
  assert.deepEqual(history.undo(), [baseline(run)]);
});

test("an added run is deleted by undo and added again by redo", () => {
  const history = new History();
  history.record({ run: "N1", corners_m: moved(2), cable: "mc-12-2", start: "box", end: "open", added: true }, absent("N1"), "a", "new run N1");
  assert.equal(history.pending()[0].added, true);
  assert.deepEqual(history.undo(), [{ run: "N1", deleted: true }]);
  assert.deepEqual(history.pending(), []);
  assert.equal(history.redo()[0].added, true);
  history.record({ run: "N1", corners_m: moved(3) }, absent("N1"), "b", "move");
  assert.equal(history.undo()[0].added, true);
  assert.deepEqual(history.current("N1")?.corners_m, moved(2));
});

test("a deleted run comes back whole", () => {
  const history = new History();
  history.record({ run: "L1", deleted: true }, baseline(run), "a", "delete L1");
  assert.deepEqual(history.pending(), [{ run: "L1", deleted: true }]);
  assert.deepEqual(history.undo(), [baseline(run)]);
});

test("several runs moved in one gesture come back together", () => {
  const history = new History();
  const other = { ...run, id: "L2" };
  history.record({ run: "L1", corners_m: moved(2) }, baseline(run), "a", "move 2 corners");
  history.record({ run: "L2", corners_m: moved(2) }, baseline(other), "a", "move 2 corners");
  assert.deepEqual(history.undo().map((edit) => edit.run).sort(), ["L1", "L2"]);
});

const plan: Sight = { target: [0, 0, 3], azimuth: -Math.PI / 2, elevation: Math.PI / 2, height: 4, projection: "orthographic" };
const oblique: Sight = { target: [0, 0, 3], azimuth: -2, elevation: 0.6, height: 4, projection: "perspective" };
const start: Point = [0.4, 0.3, 2.9];

test("with level lock a corner keeps its height exactly, from any side", () => {
  for (const sight of [plan, oblique, { ...oblique, elevation: 0.01 }]) {
    const view = new Projector(sight, 1000, 800);
    const [x, y] = view.project(start);
    for (const [dx, dy] of [[30, 70], [-200, 15], [4, 3]]) {
      assert.equal(dragged(view, x + dx, y + dy, start, [], { axis: false, level: true }).point[2], start[2]);
    }
  }
});

test("without locks a corner is under the pointer", () => {
  for (const sight of [plan, oblique]) {
    const view = new Projector(sight, 1000, 800);
    const [x, y] = view.project(start);
    const [px, py] = view.project(dragged(view, x + 90, y - 40, start, [], { axis: false, level: false }).point);
    assert.ok(Math.hypot(px - x - 90, py - y + 40) < 1e-6);
  }
});

test("near an axis a corner follows it exactly, far from it not at all", () => {
  const view = new Projector(plan, 1000, 800);
  const [x, y] = view.project(start);
  const near = dragged(view, x + 120, y + 5, start, [], { axis: true, level: true });
  assert.equal(near.follows, "along x");
  assert.equal(near.point[1], start[1]);
  const far = dragged(view, x + 120, y + 60, start, [], { axis: true, level: true });
  assert.equal(far.follows, "");
});

test("a corner slides along its leg", () => {
  const view = new Projector(plan, 1000, 800);
  const leg: Point = [1.4, 1.3, 2.9];
  const goal = view.project([0.9, 0.8, 2.9]);
  const on = dragged(view, goal[0] + 3, goal[1] + 2, start, [leg], { axis: true, level: true });
  assert.equal(on.follows, "along its leg");
  const off = sub(on.point, start);
  assert.ok(Math.abs(off[0] - off[1]) < 1e-9 && Math.abs(off[2]) < 1e-9);
});

test("corners are pulled square to a neighbour", () => {
  const view = new Projector(plan, 1000, 800);
  const leg: Point = [1.0, -0.5, 2.9];
  const goal = view.project([1.0, 0.6, 2.9]);
  const on = dragged(view, goal[0] - 4, goal[1], start, [leg], { axis: true, level: true });
  assert.equal(on.follows, "along y of its neighbour");
  assert.ok(Math.abs(on.point[0] - 1.0) < 1e-9);
});

test("a strap stays on the line, at the place nearest to the pointer", () => {
  const line = { points: [[0, 0, 3], [1, 0, 3], [1, 1, 3]] as Point[], at: [0, 1, 2] };
  const view = new Projector(plan, 1000, 800);
  const [x, y] = view.project([0.7, 0.1, 3]);
  assert.ok(Math.abs((dragAlong(line, view.ray(x, y), () => 1) ?? 0) - 0.7) < 1e-9);
  const beyond = view.project([0.5, 9, 3]);
  assert.equal(dragAlong(line, view.ray(beyond[0], beyond[1]), () => 1), 2);
});

test("corners that are chosen together move by the same step", () => {
  const corners = moved(1);
  const made = movedTogether(corners, new Set([0, 2]), [0.1, 0.2, 0.3]);
  assert.deepEqual(made[1], corners[1]);
  assert.ok(size(sub(sub(made[0], corners[0]), sub(made[2], corners[2]))) < 1e-12);
});

test("a ray along a plane, or along an axis, gives no place", () => {
  assert.equal(onPlane({ from: [0, 0, 1], direction: [1, 0, 0] }, [0, 0, 0], [0, 0, 1]), null);
  assert.equal(onAxis({ from: [0, 0, 1], direction: [0, 0, -1] }, [1, 1, 0], [0, 0, 1]), null);
});
