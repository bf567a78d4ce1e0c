/** Tubes about lines, as arrays for the graphics card: centre, outward direction, distance along and radius apart. */

import type { Point } from "../payload";
import { anyAcross, cross, type Line, sub, unit } from "./line";

export interface TubeData {
  centre: Float32Array;
  outward: Float32Array;
  along: Float32Array;
  radius: Float32Array;
  owner: Float32Array;
  indices: Uint32Array;
}

export interface TubePart {
  line: Line;
  radius_m: number;
  owner: number;
}

const SAME_M = 1e-7;

/** Drop points that repeat the one before: they have no direction. */
function cleaned(line: Line): Line {
  const points: Point[] = [];
  const at: number[] = [];
  line.points.forEach((point, i) => {
    const last = points[points.length - 1];
    if (last === undefined || Math.hypot(point[0] - last[0], point[1] - last[1], point[2] - last[2]) > SAME_M) {
      points.push(point);
      at.push(line.at[i]);
    }
  });
  return { points, at };
}

/** Turn the direction `across` so that it stays square to the line from one chord to the next, without twisting. */
function carried(across: Point, tangent: Point): Point {
  const lean = across[0] * tangent[0] + across[1] * tangent[1] + across[2] * tangent[2];
  const left = sub(across, [tangent[0] * lean, tangent[1] * lean, tangent[2] * lean]);
  return Math.hypot(...left) > 1e-6 ? unit(left) : anyAcross(tangent);
}

/** Leave out points that are nearer than `tolerance_m` to the line without them; ends stay, and so do the distances. */
export function thinned(line: Line, tolerance_m: number): Line {
  const { points, at } = line;
  if (points.length < 3) return line;
  const keep = [0];
  let from = 0;
  for (let to = 2; to < points.length; to += 1) {
    const [ax, ay, az] = points[from];
    const [ux, uy, uz] = [points[to][0] - ax, points[to][1] - ay, points[to][2] - az];
    const square = ux * ux + uy * uy + uz * uz;
    for (let k = from + 1; k < to; k += 1) {
      const [wx, wy, wz] = [points[k][0] - ax, points[k][1] - ay, points[k][2] - az];
      const share = square > 0 ? Math.min(Math.max((wx * ux + wy * uy + wz * uz) / square, 0), 1) : 0;
      const [dx, dy, dz] = [wx - ux * share, wy - uy * share, wz - uz * share];
      if (dx * dx + dy * dy + dz * dz > tolerance_m * tolerance_m) {
        keep.push(to - 1);
        from = to - 1;
        break;
      }
    }
  }
  keep.push(points.length - 1);
  return { points: keep.map((k) => points[k]), at: keep.map((k) => at[k]) };
}

/** Sides of a tube so that all of them together stay drawable: 10 for a few runs, down to 5 for thousands. */
export function sidesFor(rings: number): number {
  return Math.min(Math.max(Math.floor(150_000 / Math.max(rings, 1)), 5), 10);
}

/** Join tubes into one set of arrays. Rings stand at every point, square to the mean of both chords there. */
export function tubes(parts: TubePart[], sides?: number): TubeData {
  const lines = parts.map((part) => cleaned(part.line));
  const rings = lines.reduce((sum, line) => sum + (line.points.length > 1 ? line.points.length : 0), 0);
  const n = sides ?? sidesFor(rings);
  // each end has one ring more, whose directions point along the line, and a middle: a flat cap
  const whole = lines.filter((line) => line.points.length > 1).length;
  const vertices = rings * n + whole * 2 * (n + 1);
  const chords = rings - whole;
  const made: TubeData = {
    centre: new Float32Array(vertices * 3), outward: new Float32Array(vertices * 3),
    along: new Float32Array(vertices), radius: new Float32Array(vertices), owner: new Float32Array(vertices),
    indices: new Uint32Array((chords * n * 2 + whole * 2 * n) * 3),
  };
  const turn = Array.from({ length: n }, (_, k) => [Math.cos((2 * Math.PI * k) / n), Math.sin((2 * Math.PI * k) / n)]);
  let v = 0;
  let t = 0;
  const put = (at: Point, ox: number, oy: number, oz: number, along: number, part: TubePart): void => {
    const k = v * 3;
    made.centre[k] = at[0]; made.centre[k + 1] = at[1]; made.centre[k + 2] = at[2];
    made.outward[k] = ox; made.outward[k + 1] = oy; made.outward[k + 2] = oz;
    made.along[v] = along;
    made.radius[v] = part.radius_m;
    made.owner[v] = part.owner;
    v += 1;
  };
  const face = (a: number, b: number, c: number): void => {
    made.indices[t] = a; made.indices[t + 1] = b; made.indices[t + 2] = c;
    t += 3;
  };
  lines.forEach((line, which) => {
    const count = line.points.length;
    if (count < 2) return;
    const part = parts[which];
    const first = v;
    let across: Point | null = null;
    for (let i = 0; i < count; i += 1) {
      const before = unit(sub(line.points[Math.max(i, 1)], line.points[Math.max(i, 1) - 1]));
      const after = unit(sub(line.points[Math.min(i + 1, count - 1)], line.points[Math.min(i, count - 2)]));
      const sum: Point = [before[0] + after[0], before[1] + after[1], before[2] + after[2]];
      const tangent = Math.hypot(...sum) > 1e-3 ? unit(sum) : after;
      const side: Point = across === null ? anyAcross(tangent) : carried(across, tangent);
      across = side;
      const up = cross(tangent, side);
      const ring = (): void => {
        for (const [c, s] of turn) put(line.points[i], c * side[0] + s * up[0], c * side[1] + s * up[1], c * side[2] + s * up[2], line.at[i], part);
      };
      ring();
      if (i === 0 || i === count - 1) {
        const base = v;
        put(line.points[i], 0, 0, 0, line.at[i], part);
        ring();
        for (let k = 0; k < n; k += 1) {
          const [a, b] = [base + 1 + k, base + 1 + ((k + 1) % n)];
          if (i === 0) face(base, b, a);
          else face(base, a, b);
        }
      }
    }
    const ringAt = (i: number): number => first + i * n + (i > 0 ? n + 1 : 0);
    for (let i = 0; i + 1 < count; i += 1) {
      for (let k = 0; k < n; k += 1) {
        const l = (k + 1) % n;
        const [a, b, c, d] = [ringAt(i) + k, ringAt(i) + l, ringAt(i + 1) + k, ringAt(i + 1) + l];
        face(a, b, d);
        face(a, d, c);
      }
    }
  });
  return made;
}
