import assert from "node:assert/strict";
import test from "node:test";
import { BufferAttribute, BufferGeometry, CylinderGeometry, EdgesGeometry } from "three";
import type { Point } from "../src/payload";
import { circleThrough } from "../src/scene/closeup";
import { coarse, creases } from "../src/scene/creases";
import { crowds, type Spot } from "../src/scene/crowding";
import { cut, lengthOf, lineOf, nearest, pointAt, size, sub } from "../src/scene/line";
import { along, arranged, boxes, GHOST, HIDDEN, inSight, partOf, ranges, SHOWN } from "../src/scene/ranges";
import { roundLength } from "../src/scene/scale";
import { thinned, tubes } from "../src/scene/tubes";
import { readBuilding } from "../src/source";

function arc(radius: number, chords: number): Point[] {
  return Array.from({ length: chords + 1 }, (_, k): Point => {
    const turn = (Math.PI / 2) * (k / chords);
    return [radius * Math.sin(turn), radius * (1 - Math.cos(turn)), 1];
  });
}

test("a tube's surface lies at its radius, and closes", () => {
  const line = lineOf([[-1, 0, 1], ...arc(0.1, 13), [0.1, 1, 1]]);
  const data = tubes([{ line, radius_m: 0.006, owner: 3 }], 8);
  // surface = centre + outward x radius; every edge is shared by two triangles that run along it in opposite directions
  const point = (v: number): Point => [0, 1, 2].map((k) => data.centre[3 * v + k] + data.outward[3 * v + k] * data.radius[v]) as Point;
  for (let v = 0; v < data.along.length; v += 1) {
    const away = nearest(line, point(v)).distance;
    assert.ok(away < 0.006 + 1e-6);
    if (data.outward[3 * v] !== 0 || data.outward[3 * v + 1] !== 0 || data.outward[3 * v + 2] !== 0) assert.ok(away > 0.0058, `${away}`);
  }
  const edges = new Map<string, number>();
  const name = (v: number): string => point(v).map((value) => value.toFixed(5)).join();
  for (let t = 0; t < data.indices.length; t += 3) {
    for (let k = 0; k < 3; k += 1) {
      const [a, b] = [name(data.indices[t + k]), name(data.indices[t + ((k + 1) % 3)])];
      edges.set(`${a} ${b}`, (edges.get(`${a} ${b}`) ?? 0) + 1);
      edges.set(`${b} ${a}`, (edges.get(`${b} ${a}`) ?? 0) - 1);
    }
  }
  assert.deepEqual([...edges.values()].filter((count) => count !== 0), []);
  // turned outwards: the volume is that of the cable, but for the flats between eight sides
  let volume = 0;
  for (let t = 0; t < data.indices.length; t += 3) {
    const [a, b, c] = [0, 1, 2].map((k) => point(data.indices[t + k]));
    volume += (a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0]) + a[2] * (b[0] * c[1] - b[1] * c[0])) / 6;
  }
  const octagon = 2 * Math.sqrt(2) * 0.006 ** 2;
  assert.ok(Math.abs(volume / (octagon * lengthOf(line)) - 1) < 0.01, `${volume}`);
  assert.ok(data.owner.every((owner) => owner === 3));
});

test("a tube that folds back has no holes of not-a-number", () => {
  const data = tubes([{ line: lineOf([[0, 0, 0], [1, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 2]]), radius_m: 0.01, owner: 0 }], 6);
  assert.ok(data.centre.every(Number.isFinite) && data.outward.every(Number.isFinite));
});

test("a thinned line keeps its ends and stays within the tolerance", () => {
  const line = lineOf([[-1, 0, 1], ...arc(0.1, 40), [0.1, 1, 1]]);
  const thin = thinned(line, 0.0015);
  assert.ok(thin.points.length < 12);
  assert.deepEqual(thin.points[0], line.points[0]);
  assert.equal(lengthOf(thin), lengthOf(line));
  for (const point of line.points) assert.ok(nearest(thin, point).distance < 0.0015 + 1e-9);
});

test("part of a line keeps its distances", () => {
  const line = lineOf([[0, 0, 0], [1, 0, 0], [1, 1, 0]]);
  const part = cut(line, 0.5, 1.5);
  assert.deepEqual(part, { points: [[0.5, 0, 0], [1, 0, 0], [1, 0.5, 0]], at: [0.5, 1, 1.5] });
  assert.deepEqual(pointAt(line, 1.25), [1, 0.25, 0]);
  assert.deepEqual(cut(line, 1, 1).points, []);
});

test("edge lines are those that the general library finds", () => {
  for (const sides of [9, 24]) {
    const shape = new CylinderGeometry(0.2, 0.3, 1, sides).toNonIndexed();
    const positions = shape.getAttribute("position").array as Float32Array;
    const indices = Uint32Array.from({ length: positions.length / 3 }, (_, k) => k);
    const mine = creases(positions, indices, Uint32Array.of(0, indices.length / 3), Uint8Array.of(1));
    const theirs = new EdgesGeometry(new BufferGeometry().setAttribute("position", new BufferAttribute(positions, 3)), 30);
    const names = (points: ArrayLike<number>): string[] => {
      const made: string[] = [];
      for (let k = 0; k < points.length; k += 6) {
        made.push([0, 3].map((e) => [0, 1, 2].map((d) => (Math.round(points[k + e + d] * 1e4) / 1e4 + 0).toFixed(4)).join()).sort().join(" "));
      }
      return made.sort();
    };
    assert.deepEqual(names(mine.points), names(theirs.getAttribute("position").array));
  }
});

test("lines belong to the parts from which they come", () => {
  const triangle = [0, 0, 0, 1, 0, 0, 0, 1, 0];
  const made = creases(Float32Array.from([...triangle, ...triangle.map((v) => v + 5)]), Uint32Array.of(0, 1, 2, 3, 4, 5), Uint32Array.of(0, 1, 1, 2), Uint8Array.of(1, 1, 1));
  assert.deepEqual([...made.starts], [0, 3, 3, 6]);
});

test("the few triangles for moving are the largest ones, part by part", () => {
  const positions: number[] = [];
  const sizes = [1, 5, 2, 8, 3, 9];
  for (const s of sizes) positions.push(0, 0, 0, s, 0, 0, 0, s, 0);
  const made = coarse(Float32Array.from(positions), Uint32Array.from({ length: 18 }, (_, k) => k), Uint32Array.of(0, 2, 4, 6), 3);
  assert.deepEqual([...made.indices], [3, 4, 5, 9, 10, 11, 15, 16, 17]);
  assert.deepEqual([...made.starts], [0, 1, 2, 3]);
});

test("neighbours of one role and mode are one range", () => {
  const made = ranges(Uint8Array.of(0, 0, 0, 1, 1), Uint8Array.of(SHOWN, SHOWN, GHOST, GHOST, HIDDEN), Uint32Array.of(0, 2, 5, 6, 9, 12));
  assert.deepEqual(made, [
    { role: 0, mode: SHOWN, from: 0, to: 5 }, { role: 0, mode: GHOST, from: 5, to: 6 }, { role: 1, mode: GHOST, from: 6, to: 9 },
  ]);
});

test("what is out of sight is hidden, but for short stretches between visible neighbours of the same kind", () => {
  const roles = Uint8Array.of(0, 0, 0, 0, 0, 1, 1);
  const modes = Uint8Array.of(SHOWN, SHOWN, SHOWN, SHOWN, SHOWN, SHOWN, HIDDEN);
  const starts = Uint32Array.of(0, 10, 12, 20, 90, 100, 110, 120);
  assert.deepEqual([...inSight(roles, modes, Uint8Array.of(0, 1, 0, 1, 0, 1, 0), starts, 20)], [SHOWN, SHOWN, SHOWN, HIDDEN, SHOWN, HIDDEN, HIDDEN]);
});

test("places along the curve are between 0 and 1, and alike for neighbours", () => {
  const places = along(Float32Array.from([[0, 0, 0], [0.1, 0, 0], [50, 40, 3]].flatMap((low) => [...low, ...low.map((value) => value + 0.1)])));
  assert.ok(places.every((place) => place >= 0 && place < 1));
  assert.ok(Math.abs(places[0] - places[1]) < Math.abs(places[0] - places[2]));
});

test("each triangle tells its part, past empty ones too", () => {
  const starts = Uint32Array.of(0, 2, 2, 5);
  assert.deepEqual([0, 1, 2, 4].map((t) => partOf(starts, t)), [0, 0, 2, 2]);
});

test("elements are brought into order with their triangles", () => {
  const made = arranged(Uint32Array.of(0, 0, 0, 1, 1, 1, 2, 2, 2), Uint32Array.of(0, 1, 2, 3), Float64Array.of(1, 0, 1));
  assert.deepEqual([...made.order], [1, 0, 2]);
  assert.deepEqual([...made.indices], [1, 1, 1, 0, 0, 0, 2, 2, 2]);
  assert.deepEqual([...made.starts], [0, 1, 2, 3]);
});

test("boxes hold the points of their part", () => {
  const made = boxes(Float32Array.of(0, 0, 0, 1, 2, 3, -1, 5, 0), Uint32Array.of(0, 1, 2), Uint32Array.of(0, 1, 1));
  assert.deepEqual([...made.subarray(0, 6)], [-1, 0, 0, 1, 5, 3]);
  assert.ok(made[6] > made[9]);
});

test("crowded markers merge into the worst one, and none is lost", () => {
  const spots: Spot[] = Array.from({ length: 300 }, (_, k) => ({ x: (k * 37) % 211, y: (k * 91) % 173, rank: (k * 17) % 300, alone: k === 7, key: String(k) }));
  const made = crowds(spots, 27);
  assert.deepEqual(made.flatMap((crowd) => crowd.keys).sort(), spots.map((spot) => spot.key).sort());
  for (const crowd of made) {
    const ranks = crowd.keys.map((key) => spots[Number(key)].rank);
    assert.equal(ranks[0], Math.min(...ranks));
    if (crowd.keys.includes("7")) assert.deepEqual(crowd.keys, ["7"]);
  }
  const open = made.filter((crowd) => crowd.keys[0] !== "7");
  for (const a of open) for (const b of open) if (a !== b) assert.ok(Math.hypot(a.x - b.x, a.y - b.y) >= 27);
});

test("the circle through three points of an arc is that arc's", () => {
  const points = arc(0.08, 9);
  const circle = circleThrough(points[0], points[4], points[9]);
  assert.ok(circle !== null && Math.abs(circle.radius - 0.08) < 1e-12 && size(sub(circle.centre, [0, 0.08, 1])) < 1e-12);
  assert.equal(circleThrough([0, 0, 0], [1, 0, 0], [2, 0, 0]), null);
});

test("a scale has a round length that is not longer than asked", () => {
  assert.equal(roundLength(0.73, "m"), 0.5);
  assert.ok(Math.abs(roundLength(2.6, "m") - 2) < 1e-12);
  assert.ok(Math.abs(roundLength(7, "ft") - 20 * 0.3048) < 1e-9);
});

function packed(header: Record<string, unknown>, arrays: [string, string, number[], ArrayBufferView][]): ArrayBuffer {
  let at = 0;
  const placed = arrays.map(([name, type, shape, array]) => {
    const one = { name, type, shape, array, offset: at };
    at += Math.ceil(array.byteLength / 8) * 8;
    return one;
  });
  const text = JSON.stringify({ format: 1, ...header, arrays: Object.fromEntries(placed.map(({ name, type, shape, offset }) => [name, { type, shape, offset }])) });
  const length = Math.ceil((4 + text.length) / 8) * 8 - 4;
  const buffer = new ArrayBuffer(4 + length + at);
  new DataView(buffer).setUint32(0, length, true);
  new Uint8Array(buffer, 4).set(new TextEncoder().encode(text.padEnd(length)));
  for (const { array, offset } of placed) new Uint8Array(buffer, 4 + length + offset).set(new Uint8Array(array.buffer, array.byteOffset, array.byteLength));
  return buffer;
}

const about = { origin_m: [500000, 5400000, 100], low_m: [-1, -2, 0], high_m: [1, 2, 3], elements: [{ id: "a:1", role: "duct" }] };
const corners = [[-1, -2, 0], [1, 2, 3], [1, -2, 1.5]];

test("a building is read, in single precision and in steps", () => {
  const plain = packed(about, [
    ["positions", "f4", [3, 3], Float32Array.from(corners.flat())], ["indices", "u4", [1, 3], Uint32Array.of(0, 1, 2)],
    ["element_starts", "u4", [2], Uint32Array.of(0, 1)]]);
  const building = readBuilding(plain);
  assert.deepEqual([...building.positions], corners.flat());
  assert.equal(building.indexOf("a:1"), 0);
  assert.equal(building.indexOf("b:1"), -1);
  const scale = [2 / 65535, 4 / 65535, 3 / 65535];
  const stepped = readBuilding(packed({ ...about, scale_m: scale }, [
    ["positions", "u2", [3, 3], Uint16Array.of(0, 0, 0, 65535, 65535, 65535, 65535, 0, 32768)], ["indices", "u4", [1, 3], Uint32Array.of(0, 1, 2)],
    ["element_starts", "u4", [2], Uint32Array.of(0, 1)]]));
  stepped.positions.forEach((value, k) => assert.ok(Math.abs(value - corners.flat()[k]) < 1e-4));
});

test("a damaged building is refused in one sentence", () => {
  const good = (indices: Uint32Array, starts: Uint32Array): ArrayBuffer => packed(about, [
    ["positions", "f4", [3, 3], Float32Array.from(corners.flat())], ["indices", "u4", [indices.length / 3, 3], indices], ["element_starts", "u4", [starts.length], starts]]);
  const whole = good(Uint32Array.of(0, 1, 2), Uint32Array.of(0, 1));
  for (const bad of [new ArrayBuffer(0), whole.slice(0, 50), whole.slice(0, whole.byteLength - 8), good(Uint32Array.of(0, 1, 7), Uint32Array.of(0, 1)), good(Uint32Array.of(0, 1, 2), Uint32Array.of(0, 0))]) {
    assert.throws(() => readBuilding(bad), /^Error: The building cannot be read: .*; reload the page\.$/);
  }
});
