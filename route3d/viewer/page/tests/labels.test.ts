import assert from "node:assert/strict";
import test from "node:test";
import { asideOf, beside, boxAbout, crosses, overlap } from "../src/scene/labels";
import type { Box2, Spot2 } from "../src/scene/paint";

const frame = { width: 800, height: 500 };
const half: Spot2 = [90, 11];

test("a label keeps away from words, markers and the line that it measures", () => {
  const at: Spot2 = [400, 250];
  const along: Spot2 = [1, 0];
  const free = beside(at, along, half, frame, [], []);
  assert.deepEqual(free, [400, 271], "below its line");
  const words: Box2[] = [boxAbout([400, 271], half)];
  const markers: Box2[] = [boxAbout([400, 229], [12, 12])];
  const placed = boxAbout(beside(at, along, half, frame, words, markers), half);
  assert.ok(!overlap(placed, words[0]) && !overlap(placed, markers[0]));
});

test("a label stays in the picture, and prefers a marker under it to other words", () => {
  for (const at of [[0, 0], [799, 499], [400, 499], [3, 250]] as Spot2[]) {
    const box = boxAbout(beside(at, [0.6, 0.8], half, frame, [], []), half);
    assert.ok(box.left >= 0 && box.top >= 0 && box.right <= frame.width && box.bottom <= frame.height);
  }
  const crowd = [...Array(400).keys()].map((k) => boxAbout([(k % 20) * 40, Math.floor(k / 20) * 25], [20, 13]));
  const word = boxAbout([400, 271], half);
  assert.ok(!overlap(boxAbout(beside([400, 250], [1, 0], half, frame, [word], crowd), half), word));
});

test("the marker of what is selected stands where it covers no words, and its leader crosses none", () => {
  const at: Spot2 = [400, 250];
  assert.deepEqual(asideOf(at, 13, 20, frame, [], []), [444, 206]);
  const words = [boxAbout([450, 220], half), boxAbout([350, 290], half)];
  const [x, y] = asideOf(at, 13, 20, frame, words, []);
  const box = { left: x - 13, top: y - 13, right: x + 33, bottom: y + 13 };
  assert.ok(!words.some((other) => overlap(box, other) || crosses(at, [x, y], other)));
  const [right] = asideOf([790, 250], 13, 20, frame, [], []);
  assert.ok(right + 33 <= frame.width);
});

test("a line crosses a box, or passes by", () => {
  const box = boxAbout([100, 100], [10, 5]);
  assert.ok(crosses([0, 100], [200, 100], box) && crosses([90, 80], [110, 120], box) && crosses([100, 100], [101, 101], box));
  assert.ok(!crosses([0, 0], [200, 0], box) && !crosses([0, 100], [80, 100], box) && !crosses([80, 80], [120, 90], box));
});
