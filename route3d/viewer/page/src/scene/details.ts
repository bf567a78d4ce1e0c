/** What is drawn of a selection besides: an outline about the run, its spans, the bend that a rule asks for. */

import { BackSide, BufferAttribute, BufferGeometry, Group, LineSegments, type Material, Mesh, type Plane } from "three";
import type { Point, Span, Unread, Zone } from "../payload";
import { cut, type Line } from "./line";
import { GHOST_ELSE, REQUIRED_COLOUR, ZONE_COLOURS, ZONE_OPACITY } from "./palette";
import { LEAST_PIXELS, type RunsLayer, tubeGeometry } from "./runs";
import { facets, lineMaterial, tubeMaterial } from "./shaders";
import { tubes } from "./tubes";

/** A group that can be emptied with all that it holds on the graphics card. */
export class Loose extends Group {
  put(object: Mesh | LineSegments): void {
    object.frustumCulled = false;
    this.add(object);
  }

  override clear(): this {
    for (const child of [...this.children] as (Mesh | LineSegments)[]) {
      child.geometry.dispose();
      for (const material of ([] as Material[]).concat(child.material)) material.dispose();
    }
    return super.clear();
  }
}

export const SPAN_LOOKS = {
  exempt: { colour: "#8a929c", pattern: 3, words: "exempt" },
  ok: { colour: "#009e73", pattern: 0, words: "within its limit" },
  long: { colour: "#d55e00", pattern: 1, words: "too long" },
};

export function spanLook(span: Span): keyof typeof SPAN_LOOKS {
  return span.exempt ? "exempt" : span.ok ? "ok" : "long";
}

/** An outline about a run, and its spans of one check as sleeves about it. */
export function drawSelectedRun(into: Loose, layer: RunsLayer, id: string, check: string | null, focus: string, planes: Plane[]): void {
  const one = layer.runs.get(id);
  if (one === undefined || one.line.points.length < 2) return;
  const geometry = tubeGeometry(tubes([{ line: one.line, radius_m: one.radius_m, owner: 0 }], 10));
  into.put(new Mesh(geometry, tubeMaterial({ colour: focus, leastPixels: LEAST_PIXELS + 2, morePixels: 2.5, side: BackSide }, planes)));
  const spans = one.run.spans.filter((span) => span.check === check);
  for (const kind of ["exempt", "ok", "long"] as const) {
    const parts = spans.filter((span) => spanLook(span) === kind)
      .map((span) => {
        // a little apart, so that one sees where a span ends
        const gap = Math.min(one.radius_m * 1.2, (span.to_m - span.from_m) / 8);
        return { line: cut(one.line, span.from_m + gap, span.to_m - gap), radius_m: one.radius_m, owner: 0 };
      });
    if (parts.length === 0) continue;
    const { colour, pattern } = SPAN_LOOKS[kind];
    const sleeve = new Mesh(tubeGeometry(tubes(parts, 10)), tubeMaterial({ colour, pattern, leastPixels: LEAST_PIXELS + 2, girth: 1.45 }, planes));
    // after the pass that shows runs behind something, which would show the run in its own sleeve
    (sleeve.material as Material).transparent = true;
    sleeve.renderOrder = 2;
    into.put(sleeve);
  }
}

/** The bend as the rule asks for it, see-through, over the one that is drawn. */
export function drawRequired(into: Loose, required: { line: Line; radius_m: number }, planes: Plane[]): void {
  const geometry = tubeGeometry(tubes([{ line: required.line, radius_m: required.radius_m, owner: 0 }], 16));
  // a little thicker: where both are straight they would lie in each other's surface
  into.put(new Mesh(geometry, tubeMaterial({ colour: REQUIRED_COLOUR, opacity: 0.5, girth: 1.06, leastPixels: LEAST_PIXELS }, planes)));
}

function linesOf(points: number[], colour: string, opacity: number, planes: Plane[]): LineSegments {
  const geometry = new BufferGeometry().setAttribute("position", new BufferAttribute(Float32Array.from(points), 3));
  return new LineSegments(geometry, lineMaterial(colour, opacity, planes));
}

const EDGES = [[0, 1], [0, 2], [1, 3], [2, 3], [4, 5], [4, 6], [5, 7], [6, 7], [0, 4], [1, 5], [2, 6], [3, 7]];
const DIAGONALS = [[0, 7], [1, 6], [2, 5], [3, 4]];

function boxCorners(low: Point, high: Point): Point[] {
  return [0, 1, 2, 3, 4, 5, 6, 7].map((k) => [k & 1 ? high[0] : low[0], k & 2 ? high[1] : low[1], k & 4 ? high[2] : low[2]]);
}

/** Each zone as a translucent body with its edges. */
export function drawZones(into: Loose, zones: Zone[], state: "shown" | "ghost", planes: Plane[]): void {
  for (const zone of zones) {
    const colour = ZONE_COLOURS[zone.kind] ?? "#808892";
    const strength = state === "shown" ? 1.6 : 1;
    if (zone.indices.length > 0) {
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(Float32Array.from(zone.positions_m.flat()), 3));
      geometry.setIndex(zone.indices.flat());
      const material = facets(colour, Math.min(ZONE_OPACITY * strength, GHOST_ELSE), planes);
      // a zone often ends where a ceiling or a deck lies: it must not fight with it
      material.polygonOffsetFactor = 2;
      into.put(new Mesh(geometry, material));
    }
    into.put(linesOf(sharpEdges(zone), colour, 0.75, planes));
  }
}

/** Edges of a zone's body between faces that are not in one plane. */
function sharpEdges(zone: Zone): number[] {
  const seen = new Map<string, { normal: Point; ends: [Point, Point]; sharp: boolean; count: number }>();
  for (const [i, j, k] of zone.indices) {
    const [a, b, c] = [zone.positions_m[i], zone.positions_m[j], zone.positions_m[k]];
    const [u, v] = [[b[0] - a[0], b[1] - a[1], b[2] - a[2]], [c[0] - a[0], c[1] - a[1], c[2] - a[2]]];
    const normal: Point = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    const length = Math.hypot(...normal);
    if (length < 1e-12) continue;
    for (let d = 0; d < 3; d += 1) normal[d] /= length;
    for (const [p, q] of [[a, b], [b, c], [c, a]]) {
      const key = [p, q].map((point) => point.map((value) => value.toFixed(5)).join(",")).sort().join(" ");
      const other = seen.get(key);
      if (other === undefined) seen.set(key, { normal, ends: [p, q], sharp: false, count: 1 });
      else {
        other.count += 1;
        other.sharp ||= Math.abs(normal[0] * other.normal[0] + normal[1] * other.normal[1] + normal[2] * other.normal[2]) < 0.999;
      }
    }
  }
  return [...seen.values()].filter((edge) => edge.sharp || edge.count === 1).flatMap((edge) => [...edge.ends[0], ...edge.ends[1]]);
}

/** A crossed box for each thing that could not be read and has a known place. */
export function drawUnread(into: Loose, unread: Unread[], ink: string, planes: Plane[]): void {
  const points = unread.flatMap(({ box_m }) => {
    if (box_m === null) return [];
    const corners = boxCorners(...box_m);
    return [...EDGES, ...DIAGONALS].flatMap(([a, b]) => [...corners[a], ...corners[b]]);
  });
  if (points.length > 0) into.put(linesOf(points, ink, 0.9, planes));
}

/** Middles of the edges of a zone's top: places for its name. */
export function topRim(zone: Zone): Point[] {
  const top = Math.max(...zone.positions_m.map((point) => point[2]));
  const edges = sharpEdges(zone);
  const made: Point[] = [];
  for (let k = 0; k < edges.length; k += 6) {
    if (edges[k + 2] < top - 1e-4 || edges[k + 5] < top - 1e-4) continue;
    made.push([(edges[k] + edges[k + 3]) / 2, (edges[k + 1] + edges[k + 4]) / 2, top]);
  }
  return made;
}
