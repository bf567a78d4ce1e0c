/** Where words stand in the picture: beside what they speak of, and over nothing else that is to be read. */

import type { Box2, Spot2 } from "./paint";

export interface Frame {
  width: number;
  height: number;
}

const RIM_PX = 6;
const STEP_PX = 22;
const STEPS = 7;
const HARD = 1000; // over other words
const SOFT = 12; // over a marker, or over a piece of a line that is measured
const FAR = 0.12; // a pixel further away
const LEADER = 150; // for each label that a leader would cross

export function overlap(a: Box2, b: Box2): boolean {
  return a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
}

export function boxAbout([x, y]: Spot2, half: Spot2): Box2 {
  return { left: x - half[0], top: y - half[1], right: x + half[0], bottom: y + half[1] };
}

/** What it costs to put a box somewhere: most over words (`taken`), less over what is merely drawn (`avoid`). */
export function cost(box: Box2, taken: readonly Box2[], avoid: readonly Box2[]): number {
  let sum = 0;
  for (const other of taken) if (overlap(box, other)) sum += HARD;
  for (const other of avoid) if (overlap(box, other)) sum += SOFT;
  return sum;
}

/** The middle of a box of half size `half` beside the line through `at`, where it is in nobody's way. */
export function beside(at: Spot2, along: Spot2, half: Spot2, frame: Frame, taken: readonly Box2[], avoid: readonly Box2[]): Spot2 {
  let [x, y]: Spot2 = [-along[1], along[0]];
  // below the line, or to its right
  if (y < 0 || (Math.abs(y) < 0.3 && x < 0)) [x, y] = [-x, -y];
  const diagonal = Math.SQRT1_2;
  const ways: Spot2[] = [
    [x, y], [-x, -y], [diagonal, diagonal], [diagonal, -diagonal], [-diagonal, diagonal], [-diagonal, -diagonal],
    [0, 1], [0, -1], [1, 0], [-1, 0],
  ];
  let best: Spot2 = at;
  let least = Infinity;
  ways.forEach(([dx, dy], order) => {
    const reach = Math.abs(dx) * half[0] + Math.abs(dy) * half[1] + 10;
    for (let k = 0; k < STEPS; k += 1) {
      const out = reach + STEP_PX * k;
      const spot: Spot2 = [
        Math.min(Math.max(at[0] + dx * out, half[0] + RIM_PX), frame.width - half[0] - RIM_PX),
        Math.min(Math.max(at[1] + dy * out, half[1] + RIM_PX), frame.height - half[1] - RIM_PX),
      ];
      const price = cost(boxAbout(spot, half), taken, avoid) + FAR * STEP_PX * k + order;
      if (price < least) [best, least] = [spot, price];
    }
  });
  return best;
}

const EVERY_PX = 24;

/** Boxes along a line on the screen, near enough to each other that no words fit between them. */
export function boxesAlong(seen: readonly Spot2[]): Box2[] {
  const made: Spot2[] = [];
  for (let k = 1; k < seen.length && made.length < 200; k += 1) {
    const [a, b] = [seen[k - 1], seen[k]];
    const pieces = Math.min(Math.ceil(Math.hypot(b[0] - a[0], b[1] - a[1]) / EVERY_PX), 100);
    for (let j = 0; j < pieces; j += 1) made.push([a[0] + ((b[0] - a[0]) * j) / pieces, a[1] + ((b[1] - a[1]) * j) / pieces]);
  }
  if (seen.length > 0) made.push(seen[seen.length - 1]);
  return made.map((spot) => boxAbout(spot, [4, 4]));
}

/** Whether a line passes through a box. */
export function crosses(a: Spot2, b: Spot2, box: Box2): boolean {
  let [from, until] = [0, 1];
  for (const [start, step, low, high] of [[a[0], b[0] - a[0], box.left, box.right], [a[1], b[1] - a[1], box.top, box.bottom]]) {
    if (Math.abs(step) < 1e-9) {
      if (start < low || start > high) return false;
      continue;
    }
    const [p, q] = [(low - start) / step, (high - start) / step];
    from = Math.max(from, Math.min(p, q));
    until = Math.min(until, Math.max(p, q));
  }
  return from <= until;
}

const ASIDE: Spot2[] = [[44, -44], [-44, -44], [44, 44], [-44, 44], [62, 0], [-62, 0], [0, -62], [0, 62]];

/** Where the marker of the selected finding stands beside its place, with room for its number to the right. */
export function asideOf(at: Spot2, half: number, number: number, frame: Frame, taken: readonly Box2[], avoid: readonly Box2[]): Spot2 {
  let best: Spot2 = [at[0] + 44, at[1] - 44];
  let least = Infinity;
  [1, 1.7, 2.5].forEach((far, round) => {
    ASIDE.forEach(([dx, dy], order) => {
      const spot: Spot2 = [at[0] + dx * far, at[1] + dy * far];
      const box = { left: spot[0] - half, top: spot[1] - half, right: spot[0] + half + number, bottom: spot[1] + half };
      const out = box.left < 0 || box.top < 0 || box.right > frame.width || box.bottom > frame.height;
      const leader = taken.filter((other) => crosses(at, spot, other)).length;
      const price = cost(box, taken, avoid) + (out ? 3 * HARD : 0) + LEADER * leader + order + 9 * round;
      if (price < least) [best, least] = [spot, price];
    });
  });
  return best;
}
