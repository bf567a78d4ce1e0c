/** One finding, seen closely: what has to be in the picture, from which side, and the lengths to write beside it. */

import type { Bend, Finding, Point, Run } from "../payload";
import type { Lengths } from "../units";
import { REQUIRED_COLOUR, SEVERITY_COLOURS } from "./palette";
import {
  add, anyAcross, cross, cut, dot, lengthOf, type Line, mixed, nearest, pointAt, scaled, size, sub, tangentAt, unit,
} from "./line";

/** A line to draw over the picture, and the words beside it. */
export interface Dimension {
  line: Point[];
  words: string;
  colour: string;
  dashed: boolean;
  /** Short strokes across both ends. */
  ticks: boolean;
  /** Moved aside by so many pixels, with witness lines back to its ends. */
  aside?: number;
}

export interface CloseUp {
  subject: Point[];
  /** Direction to the viewer. */
  toward: Point;
  dimensions: Dimension[];
  /** The middle line of the bend that the rule asks for, and the radius of its tube. */
  required: { line: Line; radius_m: number } | null;
}

const NEAREST_M = 0.12; // no close-up shows less than this
const STRETCH_M = 0.6; // of a long stretch shown to either side of its worst place
const REACH_M = 0.25; // of run shown before and after a stretch
const TILT = 0.32; // how far the sight is turned off the plain elevation, so that depth can be read
const OVER_UP = 0.55;
const UNKNOWN_RADIUS_M = 0.005;

/** Return the view of a finding; null where it has no place. */
export function closeUp(finding: Finding, run: Run | null, line: Line | null, lengths: Lengths): CloseUp | null {
  const place = finding.point_m;
  if (place === null) return null;
  if (run === null || line === null || line.points.length < 2) {
    const axes: Point[] = [[0.5, 0, 0], [0, 0.5, 0], [0, 0, 0.5]];
    return {
      subject: axes.flatMap((axis) => [add(place, axis), sub(place, axis)]), toward: [-0.5, -0.85, 0.75],
      dimensions: gapLine(finding, lengths), required: null,
    };
  }
  const radius = run.radius_m ?? UNKNOWN_RADIUS_M;
  if (finding.check === "bend" && finding.at_m !== null) {
    const middle = (finding.at_m[0] + finding.at_m[1]) / 2;
    const bend = run.bends.reduce<Bend | null>(
      (best, one) => (best === null || Math.abs(one.at_m - middle) < Math.abs(best.at_m - middle) ? one : best), null);
    if (bend !== null) {
      const made = bendView(bend, line, radius, finding, lengths);
      if (made !== null) return made;
    }
  }
  return finding.gap_line_m !== null ? gapView(finding, line, radius, lengths) : stretchView(finding, place, line, radius, lengths);
}

/** Where a building element is: from above and aside, all of its box. */
export function boxView(low: Point, high: Point): { subject: Point[]; toward: Point } {
  const subject: Point[] = [];
  for (let k = 0; k < 8; k += 1) subject.push([k & 1 ? high[0] : low[0], k & 2 ? high[1] : low[1], k & 4 ? high[2] : low[2]]);
  return { subject, toward: [-0.5, -0.85, 0.75] };
}

interface Circle {
  centre: Point;
  radius: number;
  normal: Point;
}

/** The circle through three points, null where they lie on a line. */
export function circleThrough(a: Point, b: Point, c: Point): Circle | null {
  const [u, v] = [sub(b, a), sub(c, a)];
  const normal = cross(u, v);
  const square = dot(normal, normal);
  if (square < 1e-18) return null;
  const offset = scaled(add(scaled(cross(v, normal), dot(u, u)), scaled(cross(normal, u), dot(v, v))), 0.5 / square);
  return { centre: add(a, offset), radius: size(offset), normal: unit(normal) };
}

function bendView(bend: Bend, line: Line, radius: number, finding: Finding, lengths: Lengths): CloseUp | null {
  // the drawn arc: the chords that turn about the bend's place
  const half = Math.max(((bend.angle_deg * Math.PI) / 180) * (bend.inner_radius_m + radius) * 0.5, 1e-4);
  const drawn = cut(line, bend.at_m - half * 0.98, bend.at_m + half * 0.98);
  if (drawn.points.length < 3) return null;
  const circle = circleThrough(drawn.points[0], pointAt(line, bend.at_m), drawn.points[drawn.points.length - 1]);
  if (circle === null) return null;
  const tone = SEVERITY_COLOURS[finding.severity];
  const inner = (middle: Point[], around: Circle): Point[] =>
    middle.map((point) => add(around.centre, scaled(unit(sub(point, around.centre)), Math.max(around.radius - radius, 0))));
  const edge = inner(drawn.points, circle);
  const share = (points: Point[], at: number): Point => points[Math.min(Math.floor(at * points.length), points.length - 1)];
  const dimensions: Dimension[] = [
    { line: edge, words: "", colour: tone, dashed: false, ticks: false },
    { line: [circle.centre, share(edge, 0.72)], words: `drawn ${lengths.both(bend.inner_radius_m)}, inner edge`, colour: tone, dashed: false, ticks: true },
  ];
  const reach = half * 2.2 + 2 * radius;
  const subject = [...edge, circle.centre, pointAt(line, bend.at_m - reach), pointAt(line, bend.at_m + reach)];
  let required: CloseUp["required"] = null;
  const arc = bend.required_arc_m;
  if (arc !== null && arc.length > 2 && bend.required_m !== null) {
    const at = arc.reduce<number[]>((sum, point, k) => [...sum, k === 0 ? 0 : sum[k - 1] + size(sub(point, arc[k - 1]))], []);
    required = { line: { points: arc, at }, radius_m: radius };
    const around = circleThrough(arc[0], arc[arc.length >> 1], arc[arc.length - 1]);
    if (around !== null) {
      const wanted = inner(arc, around);
      dimensions.push(
        { line: wanted, words: "", colour: REQUIRED_COLOUR, dashed: true, ticks: false },
        { line: [around.centre, share(wanted, 0.28)], words: `required ${lengths.both(bend.required_m)}`, colour: REQUIRED_COLOUR, dashed: true, ticks: true },
      );
      subject.push(...wanted, around.centre);
    }
  }
  let normal = circle.normal;
  if (normal[2] < 0 || (Math.abs(normal[2]) < 1e-6 && normal[1] > 0)) normal = scaled(normal, -1);
  const tilt: Point = Math.abs(normal[2]) < 0.7 ? [0, 0, TILT] : [0, -TILT, 0];
  return { subject, toward: add(normal, tilt), dimensions, required };
}

function gapLine(finding: Finding, lengths: Lengths): Dimension[] {
  const gap = finding.gap_line_m;
  if (gap === null || finding.measured === null || finding.unit !== "m") return [];
  const needed = finding.required ? `, required ${lengths.show(finding.required)}` : "";
  const name = finding.measured < 0 ? "overlap" : "gap";
  return [{
    line: [gap[0], gap[1]], words: `${name} ${lengths.both(Math.abs(finding.measured))}${needed}`,
    colour: SEVERITY_COLOURS[finding.severity], dashed: false, ticks: true,
  }];
}

function gapView(finding: Finding, line: Line, radius: number, lengths: Lengths): CloseUp {
  const [a, b] = finding.gap_line_m as [Point, Point];
  const at = nearest(line, mixed(a, b, 0.5));
  const tangent = tangentAt(line, at.at);
  const step = sub(b, a);
  const distance = size(step);
  const across = distance > 1e-6 ? scaled(step, 1 / distance) : anyAcross(tangent);
  const middle = mixed(a, b, 0.5);
  const reach = Math.max(9 * radius, 1.6 * distance, NEAREST_M / 2);
  const subject = [tangent, across].flatMap((way) => [add(middle, scaled(way, reach)), sub(middle, scaled(way, reach))]);
  let side = cross(tangent, across);
  side = size(side) < 1e-6 ? anyAcross(tangent) : unit(side);
  if (side[2] < 0 || (Math.abs(side[2]) < 1e-6 && side[1] > 0)) side = scaled(side, -1);
  // what is overhead is seen from a little below
  const lift = across[2] > 0.7 && finding.check === "deck" ? -0.3 : OVER_UP;
  const up: Point = Math.abs(side[2]) < 0.7 ? [0, 0, lift] : [0, -TILT, 0];
  return { subject, toward: add(side, up), dimensions: gapLine(finding, lengths), required: null };
}

function stretchView(finding: Finding, place: Point, line: Line, radius: number, lengths: Lengths): CloseUp {
  const at = nearest(line, place).at;
  let [from, to] = finding.at_m ?? [at, at];
  const compared = finding.measured !== null && finding.required !== null && finding.unit === "m";
  const colour = SEVERITY_COLOURS[finding.severity];
  const dimensions: Dimension[] = [];
  // spans are measured along the run; everything else is compared at its worst place
  const spans = finding.check === "securing" || finding.check === "supporting";
  const words = compared ? `${lengths.both(finding.measured as number)}, limit ${lengths.show(finding.required as number)}` : "";
  if (spans && to > from + 1e-6) {
    if (compared) dimensions.push({ line: cut(line, from, to).points, words, colour, dashed: false, ticks: true, aside: 30 });
  } else {
    [from, to] = [Math.max(from, at - STRETCH_M), Math.min(to, at + STRETCH_M)];
    if (compared) dimensions.push({ line: [place], words, colour, dashed: false, ticks: false });
  }
  const shown = cut(line, Math.max(from - REACH_M, 0), Math.min(to + REACH_M, lengthOf(line)));
  const points = shown.points.length > 1 ? shown.points : [place];
  let along = sub(pointAt(line, to), pointAt(line, from));
  if (size(along) < 1e-6) along = sub(points[points.length - 1], points[0]);
  const flat: Point = [along[1], -along[0], 0];
  let toward: Point = size(flat) > 1e-6 ? unit(flat) : [-0.5, -0.85, 0];
  if (toward[1] > 0) toward = scaled(toward, -1);
  const half = Math.max(REACH_M, 12 * radius);
  const around = ([[1, 0, 0], [0, 1, 0], [0, 0, 1]] as Point[])
    .flatMap((axis) => [add(place, scaled(axis, half)), sub(place, scaled(axis, half))]);
  const turned = add(toward, scaled([-toward[1], toward[0], 0], TILT));
  // what is overhead is seen from a little below
  const lift = finding.check === "deck" ? -0.3 : OVER_UP;
  return { subject: [...points, ...around], toward: add(turned, [0, 0, lift]), dimensions, required: null };
}
