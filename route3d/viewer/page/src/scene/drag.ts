/** Where a dragged corner goes: on its level, along an axis or a leg, or where the pointer is. */

import type { Point } from "../payload";
import { add, cross, dot, type Line, nearestToRay, scaled, size, sub, unit } from "./line";
import type { RayFrom } from "./picking";
import type { Projector } from "./sight";

export interface Snap {
  axis: boolean;
  level: boolean;
}

export interface Dragged {
  point: Point;
  /** What it follows, in words, empty where nothing. */
  follows: string;
  /** The line that it follows, to be drawn. */
  guide: [Point, Point] | null;
}

const SNAP_PX = 9;
const STEEP = 0.08; // a ray flatter than this to a level says too little about the place on it
const AXES: [string, Point][] = [["along x", [1, 0, 0]], ["along y", [0, 1, 0]], ["plumb", [0, 0, 1]]];

/** Where a ray meets a plane, null where it runs along or away from it. */
export function onPlane(ray: RayFrom, point: Point, normal: Point): Point | null {
  const slope = dot(ray.direction, normal);
  if (Math.abs(slope) < 1e-9) return null;
  const along = dot(sub(point, ray.from), normal) / slope;
  return along > 0 ? add(ray.from, scaled(ray.direction, along)) : null;
}

/** The point of an endless line nearest to a ray, null where they run the same way. */
export function onAxis(ray: RayFrom, point: Point, direction: Point): Point | null {
  const slope = dot(direction, ray.direction);
  const bottom = 1 - slope * slope;
  if (bottom < 1e-6) return null;
  const w = sub(point, ray.from);
  return add(point, scaled(direction, (slope * dot(w, ray.direction) - dot(w, direction)) / bottom));
}

/**
 * Drag a corner that started at `start` to the pointer. `legs` are the corners beside it: with axis snap it follows
 * the lines of its legs, and lines through them along the axes, where the pointer is near enough to one.
 */
export function dragged(view: Projector, x: number, y: number, start: Point, legs: Point[], snap: Snap): Dragged {
  const ray = view.ray(x, y);
  const level = snap.level;
  const flat = Math.abs(ray.direction[2]) < STEEP;
  // looking from the side, a level is an edge: the upright plane that faces the viewer, kept on its level, is meant
  const out = view.axes.toward;
  const facing: Point = level && flat ? unit([out[0], out[1], 0]) : out;
  let free = level && !flat ? onPlane(ray, start, [0, 0, 1]) : onPlane(ray, start, facing);
  free ??= start;
  if (level) free = [free[0], free[1], start[2]];
  if (!snap.axis) return { point: free, follows: "", guide: null };
  let best: Dragged = { point: free, follows: "", guide: null };
  let least = SNAP_PX;
  const attempt = (through: Point, direction: Point, words: string): void => {
    if (level && Math.abs(direction[2]) > 1e-9 && words === "plumb") return;
    const on = onAxis(ray, through, direction);
    if (on === null || (level && Math.abs(on[2] - start[2]) > 1e-9)) return;
    const [px, py, depth] = view.project(on);
    const away = Math.hypot(px - x, py - y);
    if (depth > 0 && away < least) {
      least = away;
      best = { point: on, follows: words, guide: [through, on] };
    }
  };
  for (const [words, direction] of AXES) attempt(start, direction, words);
  for (const leg of legs) {
    const along = sub(leg, start);
    if (size(along) > 1e-6) attempt(start, unit(along), "along its leg");
  }
  if (best.follows === "") {
    for (const leg of legs) for (const [words, direction] of AXES) attempt(leg, direction, `${words} of its neighbour`);
  }
  return best;
}

/** Where a strap goes: the place on the fitted line nearest to the pointer, kept off both ends. */
export function dragAlong(line: Line, ray: RayFrom, pixelAt: (distance: number) => number): number | null {
  return nearestToRay(line, ray.from, ray.direction, (distance, along) => distance / pixelAt(along))?.at ?? null;
}

/** Corners moved together: all by what the one that is held moves. */
export function movedTogether(corners: Point[], chosen: ReadonlySet<number>, by: Point): Point[] {
  return corners.map((corner, k) => (chosen.has(k) ? add(corner, by) : corner));
}

/** The dimension of a move in words' numbers: length, and along each axis. */
export function step(from: Point, to: Point): { length: number; along: Point } {
  const along = sub(to, from);
  return { length: size(along), along };
}

/** Normal of the plane of a bend between two legs; null where they run straight on. */
export function planeOf(before: Point, after: Point): Point | null {
  const normal = cross(before, after);
  return size(normal) > 1e-6 ? unit(normal) : null;
}
