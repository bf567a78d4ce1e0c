/** A fitted line as chords with the distance along at each of its points, and what one asks of it. */

import type { Point } from "../payload";

export interface Line {
  points: Point[];
  at: number[];
}

export interface Place {
  at: number;
  point: Point;
  distance: number;
}

export const add = (a: Point, b: Point): Point => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
export const sub = (a: Point, b: Point): Point => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
export const scaled = (a: Point, k: number): Point => [a[0] * k, a[1] * k, a[2] * k];
export const dot = (a: Point, b: Point): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const size = (a: Point): number => Math.sqrt(dot(a, a));
export const cross = (a: Point, b: Point): Point =>
  [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
export const mixed = (a: Point, b: Point, share: number): Point =>
  [a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share, a[2] + (b[2] - a[2]) * share];

/** A direction of length one; straight up where the argument has no direction. */
export function unit(a: Point): Point {
  const length = size(a);
  return length > 1e-12 ? scaled(a, 1 / length) : [0, 0, 1];
}

/** Some direction square to `a`. */
export function anyAcross(a: Point): Point {
  const [x, y, z] = a.map(Math.abs);
  return unit(cross(a, x <= y && x <= z ? [1, 0, 0] : y <= z ? [0, 1, 0] : [0, 0, 1]));
}

/** A polyline with its own lengths as distances. */
export function lineOf(points: Point[]): Line {
  const at = [0];
  for (let i = 1; i < points.length; i += 1) at.push(at[i - 1] + size(sub(points[i], points[i - 1])));
  return { points, at: points.length === 0 ? [] : at };
}

export function lengthOf(line: Line): number {
  return line.at.length === 0 ? 0 : line.at[line.at.length - 1];
}

function chordAt(line: Line, at: number): number {
  let low = 0;
  let high = line.at.length - 2;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (line.at[middle] <= at) low = middle;
    else high = middle - 1;
  }
  return low;
}

/** The point at a distance along; the nearer end for distances beyond the line. */
export function pointAt(line: Line, at: number): Point {
  if (line.points.length === 1) return line.points[0];
  const i = chordAt(line, at);
  const span = line.at[i + 1] - line.at[i];
  const share = span > 0 ? Math.min(Math.max((at - line.at[i]) / span, 0), 1) : 0;
  return mixed(line.points[i], line.points[i + 1], share);
}

export function tangentAt(line: Line, at: number): Point {
  if (line.points.length < 2) return [0, 0, 1];
  const i = chordAt(line, at);
  return unit(sub(line.points[i + 1], line.points[i]));
}

/** The part of a line between two distances, with its distances kept; empty where they enclose nothing. */
export function cut(line: Line, from: number, to: number): Line {
  const start = Math.max(from, 0);
  const stop = Math.min(to, lengthOf(line));
  if (line.points.length < 2 || stop - start < 1e-9) return { points: [], at: [] };
  const points = [pointAt(line, start)];
  const at = [start];
  for (let i = 0; i < line.points.length; i += 1) {
    if (line.at[i] > start + 1e-9 && line.at[i] < stop - 1e-9) {
      points.push(line.points[i]);
      at.push(line.at[i]);
    }
  }
  points.push(pointAt(line, stop));
  at.push(stop);
  return { points, at };
}

/** The place on a line nearest to a point. */
export function nearest(line: Line, point: Point): Place {
  let best: Place = { at: 0, point: line.points[0], distance: size(sub(point, line.points[0])) };
  for (let i = 0; i + 1 < line.points.length; i += 1) {
    const along = sub(line.points[i + 1], line.points[i]);
    const square = dot(along, along);
    const share = square > 0 ? Math.min(Math.max(dot(sub(point, line.points[i]), along) / square, 0), 1) : 0;
    const on = mixed(line.points[i], line.points[i + 1], share);
    const distance = size(sub(point, on));
    if (distance < best.distance) {
      best = { at: line.at[i] + share * (line.at[i + 1] - line.at[i]), point: on, distance };
    }
  }
  return best;
}

export interface RayPlace extends Place {
  /** Distance along the ray of its point nearest to the line. */
  ray: number;
}

/**
 * The place on a line nearest to a ray (direction of length one); only what lies in front of its start counts.
 * `weigh` turns a distance from the ray, at a distance along it, into what is to be least: pixels, say.
 */
export function nearestToRay(
  line: Line, from: Point, direction: Point, weigh: (distance: number, ray: number) => number = (d) => d,
): RayPlace | null {
  let best: RayPlace | null = null;
  let least = Number.POSITIVE_INFINITY;
  for (let i = 0; i + 1 < line.points.length; i += 1) {
    const a = line.points[i];
    const along = sub(line.points[i + 1], a);
    const square = dot(along, along);
    const w = sub(a, from);
    const slope = dot(along, direction);
    const bottom = square - slope * slope;
    let share = bottom > 1e-12 * square ? (slope * dot(w, direction) - dot(along, w)) / bottom : 0;
    share = Math.min(Math.max(share, 0), 1);
    const on = mixed(a, line.points[i + 1], share);
    const ray = dot(sub(on, from), direction);
    if (ray <= 0) continue;
    const distance = size(sub(on, add(from, scaled(direction, ray))));
    const weight = weigh(distance, ray);
    if (weight < least) {
      least = weight;
      best = { at: line.at[i] + share * (line.at[i + 1] - line.at[i]), point: on, distance, ray };
    }
  }
  return best;
}
