/** Exact rays into the building and onto the runs. */

import { type Box3, Ray, Vector3 } from "three";
import type { Point, Run } from "../payload";
import type { BuildingLayer } from "./building";
import { type Line, nearestToRay } from "./line";
import { partOf } from "./ranges";

export interface RayFrom {
  from: Point;
  direction: Point;
}

export interface BuildingHit {
  /** Index in building.elements. */
  element: number;
  distance: number;
  point: Point;
  normal: Point;
  corners: [Point, Point, Point];
}

/** Distance along a ray at which it enters a box, infinite where it misses it. */
function enters(ray: Ray, box: Box3, beside = 0): number {
  let near = 0;
  let far = Infinity;
  const { origin, direction } = ray;
  for (const axis of ["x", "y", "z"] as const) {
    const slope = 1 / direction[axis];
    const a = (box.min[axis] - beside - origin[axis]) * slope;
    const b = (box.max[axis] + beside - origin[axis]) * slope;
    // NaN (the ray lies in a face) leaves both as they are
    near = Math.max(near, Math.min(a, b) || near);
    far = Math.min(far, Math.max(a, b) || far);
  }
  return near <= far ? near : Infinity;
}

const hit = new Vector3();
const normal = new Vector3();

/** The nearest triangle that a ray meets among the places that `accepts` lets through, null where there is none. */
export function castBuilding(
  layer: BuildingLayer, ray: RayFrom, accepts: (place: number, point: Vector3) => boolean, far = Infinity,
): BuildingHit | null {
  if (layer.tree === null) return null;
  const line = new Ray(new Vector3(...ray.from), new Vector3(...ray.direction).normalize());
  let best: BuildingHit | null = null;
  let least = far;
  layer.tree.shapecast({
    boundsTraverseOrder: (box) => enters(line, box),
    intersectsBounds: (box) => enters(line, box) < least,
    intersectsTriangle: (triangle, index) => {
      if (line.intersectTriangle(triangle.a, triangle.b, triangle.c, false, hit) === null) return false;
      const distance = hit.distanceTo(line.origin);
      if (distance >= least) return false;
      const place = partOf(layer.starts, index);
      if (!accepts(place, hit)) return false;
      triangle.getNormal(normal);
      least = distance;
      best = {
        element: layer.order[place], distance, point: hit.toArray() as Point,
        normal: (normal.dot(line.direction) > 0 ? normal.negate() : normal).toArray() as Point,
        corners: [triangle.a.toArray(), triangle.b.toArray(), triangle.c.toArray()] as [Point, Point, Point],
      };
      return false;
    },
  });
  return best;
}

/** All elements that stand between two points. */
export function between(layer: BuildingLayer, from: Point, to: Point, found: Set<number>): void {
  const way = new Vector3(...to).sub(new Vector3(...from));
  const far = way.length();
  const line = new Ray(new Vector3(...from), way.normalize());
  layer.tree?.shapecast({
    intersectsBounds: (box) => enters(line, box) < far,
    intersectsTriangle: (triangle, index) => {
      const met = line.intersectTriangle(triangle.a, triangle.b, triangle.c, false, hit);
      if (met !== null && hit.distanceTo(line.origin) < far) found.add(layer.order[partOf(layer.starts, index)]);
      return false;
    },
  });
}

export interface RunHit {
  run: Run;
  at: number;
  /** On the tube's surface where the ray meets it, else the nearest point of it. */
  point: Point;
  distance: number;
  /** How far the ray passes beside the tube, 0 where it meets it. */
  beside: number;
}

export interface Pickable {
  run: Run;
  line: Line;
  radius_m: number;
  low: Point;
  high: Point;
}

/**
 * The run that a ray meets first, or passes within `reach` pixels; `pixelAt` gives the size of a pixel at a distance
 * along the ray. Exact on the chords of the fitted line with its true radius.
 */
export function castRuns(
  runs: Iterable<Pickable>, ray: RayFrom, pixelAt: (distance: number) => number, reach: number,
  accepts: (point: Point) => boolean,
): RunHit | null {
  const line = new Ray(new Vector3(...ray.from), new Vector3(...ray.direction));
  const box = { min: new Vector3(), max: new Vector3() } as Box3;
  let best: RunHit | null = null;
  for (const one of runs) {
    if (one.line.points.length < 2) continue;
    box.min.fromArray(one.low);
    box.max.fromArray(one.high);
    const middle = box.max.clone().add(box.min).multiplyScalar(0.5).distanceTo(line.origin);
    const span = box.max.distanceTo(box.min);
    if (enters(line, box, one.radius_m + reach * pixelAt(middle + span)) === Infinity) continue;
    const near = nearestToRay(one.line, ray.from, ray.direction, (distance, along) => Math.max(distance - one.radius_m, 0) / pixelAt(along));
    if (near === null || !accepts(near.point)) continue;
    const beside = Math.max(near.distance - one.radius_m, 0);
    const pixels = beside / pixelAt(near.ray);
    if (pixels > reach) continue;
    const distance = near.ray - Math.sqrt(Math.max(one.radius_m ** 2 - near.distance ** 2, 0));
    const known = best as RunHit | null;
    const nearer = known === null
      || (pixels <= 0 && known.beside <= 0 ? distance < known.distance : beside / pixelAt(distance) < known.beside / pixelAt(known.distance));
    if (nearer) {
      const point: Point = [0, 1, 2].map((k) => ray.from[k] + ray.direction[k] * distance) as Point;
      best = { run: one.run, at: near.at, point: beside > 0 ? near.point : point, distance, beside };
    }
  }
  return best;
}
