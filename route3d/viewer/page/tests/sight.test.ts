import assert from "node:assert/strict";
import test from "node:test";
import type { Point } from "../src/payload";
import { axesOf, blended, distanceOf, eyeOf, fitted, fromCamera, Projector, shifted, type Sight, toCamera, turned, turnedTo, zoomed } from "../src/scene/sight";
import { add, dot, nearestToRay, scaled, size, sub } from "../src/scene/line";

const near = (a: number, b: number, by = 1e-9): void => assert.ok(Math.abs(a - b) <= by, `${a} is not ${b}`);
const nearPoint = (a: Point, b: Point, by = 1e-9): void => a.forEach((value, k) => near(value, b[k], by));
const sights: Sight[] = (["perspective", "orthographic"] as const).flatMap((projection) =>
  [[-1.2, 0.4], [2.9, -0.7], [-Math.PI / 2, Math.PI / 2], [0, 0]].map(([azimuth, elevation]) =>
    ({ target: [3, -2, 5] as Point, azimuth, elevation, height: 7, projection })));

test("axes are square to each other, of length one, and right-handed, even straight down", () => {
  for (const sight of sights) {
    const { right, up, toward } = axesOf(sight);
    for (const axis of [right, up, toward]) near(size(axis), 1);
    near(dot(right, up), 0);
    near(dot(up, toward), 0);
    nearPoint([right[1] * up[2] - right[2] * up[1], right[2] * up[0] - right[0] * up[2], right[0] * up[1] - right[1] * up[0]], toward);
  }
});

test("in plan, x points right and y up on the screen", () => {
  const { right, up } = axesOf(turnedTo(sights[0], "plan"));
  nearPoint(right, [1, 0, 0]);
  nearPoint(up, [0, 1, 0]);
});

test("from the front one looks along y, from the side against x", () => {
  nearPoint(axesOf(turnedTo(sights[0], "front")).toward, [0, -1, 0]);
  nearPoint(axesOf(turnedTo(sights[0], "side")).toward, [1, 0, 0]);
});

test("a ray through a projected point passes through that point", () => {
  const points: Point[] = [[3, -2, 5], [4, -1, 5.5], [1.5, -3, 4], [3.2, -2.4, 7]];
  for (const sight of sights) {
    const view = new Projector(sight, 1280, 800);
    for (const point of points) {
      const [x, y] = view.project(point);
      const ray = view.ray(x, y);
      const along = dot(sub(point, ray.from), ray.direction);
      near(size(sub(add(ray.from, scaled(ray.direction, along)), point)), 0, 1e-8);
    }
  }
});

test("a point that is turned about keeps its place on the screen", () => {
  const pivot: Point = [4, -1, 5.5];
  for (const sight of sights) {
    const before = new Projector(sight, 1280, 800).project(pivot);
    const after = new Projector(turned(sight, pivot, 0.3, -0.2), 1280, 800).project(pivot);
    near(before[0], after[0], 1e-6);
    near(before[1], after[1], 1e-6);
  }
});

test("a point that is zoomed to keeps its place on the screen", () => {
  const point: Point = [4, -1, 5.5];
  for (const sight of sights) {
    const before = new Projector(sight, 1280, 800).project(point);
    const after = new Projector(zoomed(sight, point, 0.37), 1280, 800).project(point);
    near(before[0], after[0], 1e-6);
    near(before[1], after[1], 1e-6);
  }
});

test("what is held while shifting follows the pointer", () => {
  for (const sight of sights) {
    const { toward } = axesOf(sight);
    for (const depth of [0, 2]) {
      const held = add(sight.target, scaled(toward, -depth));
      const before = new Projector(sight, 1280, 800).project(held);
      const after = new Projector(shifted(sight, 50, -30, 800, depth), 1280, 800).project(held);
      near(after[0] - before[0], 50, 1e-6);
      near(after[1] - before[1], -30, 1e-6);
    }
  }
});

test("changing the projection keeps the size of what is looked at", () => {
  const tip = add(sights[0].target, axesOf(sights[0]).up);
  const a = new Projector({ ...sights[0], projection: "perspective" }, 1280, 800).project(tip);
  const b = new Projector({ ...sights[0], projection: "orthographic" }, 1280, 800).project(tip);
  near(a[1], b[1], 1e-9);
});

test("a fitted view holds all of the points and wastes little", () => {
  const box: Point[] = [];
  for (let k = 0; k < 8; k += 1) box.push([k & 1 ? 12 : -12, k & 2 ? 7 : -7, k & 4 ? 3 : 0]);
  for (const projection of ["perspective", "orthographic"] as const) {
    for (const toward of [[-0.5, -0.85, 0.75], [0, 0, 1], [0, -1, 0.001]] as Point[]) {
      const view = new Projector(fitted(box, toward, 1.6, projection, 1.05), 1280, 800);
      const seen = box.map((point) => view.project(point));
      const [left, right] = [Math.min(...seen.map((p) => p[0])), Math.max(...seen.map((p) => p[0]))];
      const [top, bottom] = [Math.min(...seen.map((p) => p[1])), Math.max(...seen.map((p) => p[1]))];
      assert.ok(left >= 0 && right <= 1280 && top >= 0 && bottom <= 800, `${projection} ${toward}: ${[left, right, top, bottom]}`);
      assert.ok((right - left) / 1280 > 0.85 || (bottom - top) / 800 > 0.85, `${projection} ${toward} is too small`);
    }
  }
});

test("a camera that was written down is read back as the same view", () => {
  for (const sight of sights) {
    const back = fromCamera(JSON.parse(JSON.stringify(toCamera(sight)))) as Sight;
    nearPoint(eyeOf(back), eyeOf(sight), 1e-9);
    nearPoint(axesOf(back).up, axesOf(sight).up, 1e-9);
    near(back.height, sight.height, 1e-9);
    near(distanceOf(back), distanceOf(sight), 1e-9);
  }
});

test("a camera that makes no sense is refused", () => {
  assert.equal(fromCamera({ eye_m: [0, 0, 0], target_m: [0, 0, 0], projection: "perspective" }), null);
  assert.equal(fromCamera({ eye_m: [Number.NaN, 0, 0], target_m: [0, 0, 0], projection: "perspective" }), null);
});

test("a flight begins and ends where it should, the short way round", () => {
  const a = { ...sights[0], azimuth: 3 };
  const b = { ...sights[0], azimuth: -3, height: 0.2, target: [9, 9, 9] as Point };
  nearPoint(blended(a, b, 0).target, a.target);
  nearPoint(blended(a, b, 1).target, b.target);
  near(Math.cos(blended(a, b, 0.5).azimuth), -1, 1e-9);
});

test("a box out of the window is not seen, one about the eye is", () => {
  const view = new Projector({ ...sights[0], target: [0, 0, 0] }, 1280, 800);
  assert.equal(view.sees([-1, -1, -1], [1, 1, 1]), true);
  const aside = scaled(view.axes.right, 100);
  assert.equal(view.sees(sub(aside, [1, 1, 1]), add(aside, [1, 1, 1])), false);
  assert.equal(view.sees(sub(view.eye, [1, 1, 1]), add(view.eye, [1, 1, 1])), true);
});

test("the place of a line nearest to a ray is found by brute force too", () => {
  const line = { points: [[0, 0, 0], [2, 0, 0.5], [2, 3, 1]] as Point[], at: [0, Math.hypot(2, 0.5), Math.hypot(2, 0.5) + Math.hypot(3, 0.5)] };
  const from: Point = [5, -4, 6];
  const direction = scaled(sub([1.4, 0.8, 0], from), 1 / size(sub([1.4, 0.8, 0], from)));
  let least = Infinity;
  for (let leg = 0; leg < 2; leg += 1) {
    for (let k = 0; k <= 20_000; k += 1) {
      const point = add(line.points[leg], scaled(sub(line.points[leg + 1], line.points[leg]), k / 20_000));
      const along = dot(sub(point, from), direction);
      least = Math.min(least, size(sub(point, add(from, scaled(direction, along)))));
    }
  }
  near(nearestToRay(line, from, direction)?.distance ?? -1, least, 1e-6);
});
