/** From where one looks: plain numbers, so that it can be tested, sent to another window and written into a link. */

import type { Camera, Point } from "../payload";
import { add, cross, dot, scaled, size, sub, unit } from "./line";

export type Projection = "perspective" | "orthographic";
export type View = "plan" | "front" | "side" | "iso";

/** What is looked at, from which side, and how many metres of it fit from bottom to top. */
export interface Sight {
  target: Point;
  /** Direction to the viewer, from x towards y. */
  azimuth: number;
  elevation: number;
  height: number;
  projection: Projection;
}

export interface Axes {
  right: Point;
  up: Point;
  /** Towards the viewer. */
  toward: Point;
}

export const FIELD_RAD = (32 * Math.PI) / 180;
const TAN = Math.tan(FIELD_RAD / 2);
const HEIGHT_LEAST = 1e-3;
const HEIGHT_MOST = 1e6;

export function axesOf(sight: Sight): Axes {
  const [ca, sa] = [Math.cos(sight.azimuth), Math.sin(sight.azimuth)];
  const [ce, se] = [Math.cos(sight.elevation), Math.sin(sight.elevation)];
  const toward: Point = [ce * ca, ce * sa, se];
  const right: Point = [-sa, ca, 0];
  return { right, up: cross(toward, right), toward };
}

export function distanceOf(sight: Sight): number {
  return sight.height / 2 / TAN;
}

export function eyeOf(sight: Sight): Point {
  return add(sight.target, scaled(axesOf(sight).toward, distanceOf(sight)));
}

/** Azimuth and elevation of a direction; straight up or down looks with north (y) at the top. */
export function anglesOf(toward: Point): { azimuth: number; elevation: number } {
  const flat = Math.hypot(toward[0], toward[1]);
  return {
    azimuth: flat > 1e-6 * size(toward) ? Math.atan2(toward[1], toward[0]) : -Math.PI / 2,
    elevation: Math.atan2(toward[2], flat),
  };
}

const VIEWS: Record<View, { azimuth: number; elevation: number }> = {
  plan: { azimuth: -Math.PI / 2, elevation: Math.PI / 2 },
  front: { azimuth: -Math.PI / 2, elevation: 0 },
  side: { azimuth: 0, elevation: 0 },
  iso: anglesOf([-0.5, -0.85, 0.75]),
};

export function turnedTo(sight: Sight, view: View): Sight {
  return { ...sight, ...VIEWS[view] };
}

/**
 * See all of the points, from the side given, in a window of that shape (width : height). `rim` is the factor by which
 * the picture is larger than they need, `least` the smallest height in metres.
 */
export function fitted(points: Point[], toward: Point, aspect: number, projection: Projection, rim = 1.12, least = 0.12): Sight {
  const sight: Sight = { target: [0, 0, 0], ...anglesOf(toward), height: 1, projection };
  const axes = axesOf(sight);
  const spans = [axes.right, axes.up, axes.toward].map((axis) => {
    const along = points.map((point) => dot(point, axis));
    return [Math.min(...along), Math.max(...along)];
  });
  const [x, y, z] = spans.map(([low, high]) => (low + high) / 2);
  const [wide, tall, deep] = spans.map(([low, high]) => high - low);
  sight.target = add(add(scaled(axes.right, x), scaled(axes.up, y)), scaled(axes.toward, z));
  sight.height = Math.max(tall, wide / aspect, least) * rim;
  if (projection === "orthographic") return sight;
  // what is nearer than the target looks larger: begin with all of it in front of the eye, then come as near as it goes
  sight.height += deep * TAN;
  for (let k = 0; k < 8; k += 1) {
    const view = new Projector(sight, aspect, 1);
    const seen = points.map((point) => view.project(point)).filter(([, , depth]) => depth > 0);
    if (seen.length < points.length) break;
    const [left, right] = [Math.min(...seen.map((p) => p[0])), Math.max(...seen.map((p) => p[0]))];
    const [top, bottom] = [Math.min(...seen.map((p) => p[1])), Math.max(...seen.map((p) => p[1]))];
    const shift = add(scaled(axes.right, ((left + right) / 2 - aspect / 2) * sight.height), scaled(axes.up, (0.5 - (top + bottom) / 2) * sight.height));
    sight.target = add(sight.target, shift);
    sight.height = Math.max(sight.height * Math.max(bottom - top, (right - left) / aspect) * rim, least * rim);
  }
  return sight;
}

/** Turn about a point that keeps its place on the screen. */
export function turned(sight: Sight, pivot: Point, azimuth: number, elevation: number): Sight {
  const before = axesOf(sight);
  const offset = sub(sight.target, pivot);
  const parts = [dot(offset, before.right), dot(offset, before.up), dot(offset, before.toward)];
  const limit = Math.PI / 2;
  const next = {
    ...sight,
    azimuth: wrapped(sight.azimuth + azimuth),
    elevation: Math.min(Math.max(sight.elevation + elevation, -limit), limit),
  };
  const after = axesOf(next);
  next.target = add(pivot, add(add(scaled(after.right, parts[0]), scaled(after.up, parts[1])), scaled(after.toward, parts[2])));
  return next;
}

/** Shift by pixels of a window `rows` high; `depth` is how far behind the target what one holds lies. */
export function shifted(sight: Sight, dx: number, dy: number, rows: number, depth = 0): Sight {
  const { right, up } = axesOf(sight);
  const near = sight.projection === "perspective" ? Math.max(1 + depth / distanceOf(sight), 0.02) : 1;
  const metres = (sight.height / rows) * near;
  return { ...sight, target: add(sight.target, add(scaled(right, -dx * metres), scaled(up, dy * metres))) };
}

/** Come nearer (factor below 1) to a point that keeps its place on the screen. */
export function zoomed(sight: Sight, point: Point, factor: number): Sight {
  const height = Math.min(Math.max(sight.height * factor, HEIGHT_LEAST), HEIGHT_MOST);
  const share = height / sight.height;
  return { ...sight, height, target: add(point, scaled(sub(sight.target, point), share)) };
}

/** Between two sights: a share of 0 gives `a`, of 1 gives `b`; sizes change evenly in proportion. */
export function blended(a: Sight, b: Sight, share: number): Sight {
  const turn = wrapped(b.azimuth - a.azimuth);
  const height = a.height * (b.height / a.height) ** share;
  // the target moves as the height does, so that a flight that comes nearer does not lose it
  const way = Math.abs(b.height - a.height) > 1e-9 * a.height ? (height - a.height) / (b.height - a.height) : share;
  return {
    target: [0, 1, 2].map((k) => a.target[k] + (b.target[k] - a.target[k]) * way) as Point,
    azimuth: wrapped(a.azimuth + turn * share),
    elevation: a.elevation + (b.elevation - a.elevation) * share,
    height,
    projection: b.projection,
  };
}

function wrapped(angle: number): number {
  return Math.atan2(Math.sin(angle), Math.cos(angle));
}

export function toCamera(sight: Sight): Camera {
  return { eye_m: eyeOf(sight), target_m: sight.target, up: axesOf(sight).up, projection: sight.projection, height_m: sight.height };
}

/** Read a camera that came from a link or another window; null where it makes no sense. */
export function fromCamera(camera: Camera): Sight | null {
  const numbers = [...camera.eye_m, ...camera.target_m];
  if (numbers.length !== 6 || !numbers.every(Number.isFinite)) return null;
  const out = sub(camera.eye_m, camera.target_m);
  const distance = size(out);
  if (!(distance > 0)) return null;
  const angles = anglesOf(out);
  if (camera.up && Math.abs(unit(out)[2]) > 1 - 1e-9) {
    angles.azimuth = Math.atan2(-camera.up[1] * out[2], -camera.up[0] * out[2]);
  }
  const said = camera.height_m;
  const height = said !== undefined && Number.isFinite(said) && said > 0 ? said : 2 * TAN * distance;
  return {
    target: camera.target_m, ...angles, height: Math.min(Math.max(height, HEIGHT_LEAST), HEIGHT_MOST),
    projection: camera.projection === "orthographic" ? "orthographic" : "perspective",
  };
}

/** Where points land on a window, and which ray belongs to a place on it. Pixels from the top left. */
export class Projector {
  readonly axes: Axes;
  readonly eye: Point;
  private readonly distance: number;
  private readonly focus: number;

  constructor(readonly sight: Sight, readonly width: number, readonly rows: number) {
    this.axes = axesOf(sight);
    this.distance = distanceOf(sight);
    this.eye = eyeOf(sight);
    this.focus = rows / sight.height;
  }

  /** x, y and how far in front of the eye; behind it (perspective only) the last is negative. */
  project(point: Point): [number, number, number] {
    const offset = sub(point, this.sight.target);
    const depth = this.distance - dot(offset, this.axes.toward);
    let scale = this.focus;
    if (this.sight.projection === "perspective") {
      if (depth <= 1e-9) return [NaN, NaN, -1];
      scale *= this.distance / depth;
    }
    return [
      this.width / 2 + dot(offset, this.axes.right) * scale,
      this.rows / 2 - dot(offset, this.axes.up) * scale,
      this.sight.projection === "perspective" ? depth : Math.max(depth, 1e-9),
    ];
  }

  ray(x: number, y: number): { from: Point; direction: Point } {
    const across = scaled(this.axes.right, (x - this.width / 2) / this.focus);
    const up = scaled(this.axes.up, (this.rows / 2 - y) / this.focus);
    const on = add(this.sight.target, add(across, up));
    if (this.sight.projection === "perspective") return { from: this.eye, direction: unit(sub(on, this.eye)) };
    // far enough back to be outside of any building, near enough to keep its digits
    const back = Math.max(this.distance, 2000);
    return { from: add(on, scaled(this.axes.toward, back)), direction: scaled(this.axes.toward, -1) };
  }

  /** Whether something of a box may be in the window; false only where nothing is. */
  sees(low: Point, high: Point): boolean {
    const outside = [0, 0, 0, 0];
    for (let k = 0; k < 8; k += 1) {
      const [x, y, depth] = this.project([k & 1 ? high[0] : low[0], k & 2 ? high[1] : low[1], k & 4 ? high[2] : low[2]]);
      if (depth <= 0) return true;
      outside[0] += Number(x < 0);
      outside[1] += Number(x > this.width);
      outside[2] += Number(y < 0);
      outside[3] += Number(y > this.rows);
    }
    return !outside.includes(8);
  }

  /** Metres that a pixel covers at a point. */
  pixelAt(point: Point): number {
    if (this.sight.projection !== "perspective") return 1 / this.focus;
    const depth = this.distance - dot(sub(point, this.sight.target), this.axes.toward);
    return Math.max(depth, 1e-6) / this.distance / this.focus;
  }
}
