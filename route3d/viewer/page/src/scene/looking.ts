/** What is under a place of the window, and what is behind something. */

import type { Point } from "../payload";
import type { BuildingLayer } from "./building";
import type { Pick } from "./ground";
import { add, dot, scaled, sub } from "./line";
import type { Markers } from "./marks";
import { type BuildingHit, castBuilding, castRuns } from "./picking";
import type { RunsLayer } from "./runs";
import type { SectionTool } from "./section";
import type { Projector } from "./sight";

const RUN_REACH_PX = 6;
const OCCLUDED_MOST = 160; // markers that are asked whether something stands before them
const TOUCH_M = 0.01; // what is so near a finding's place does not hide it

/** The nearest run or surface under a place of the window; what is looked through, only where there is nothing else. */
export function pickAt(view: Projector, layer: BuildingLayer | null, runs: RunsLayer, cutter: SectionTool, x: number, y: number): Pick | null {
  const ray = view.ray(x, y);
  const cast = (accepts: (place: number) => boolean): BuildingHit | null => (layer === null ? null
    : castBuilding(layer, ray, (place, point) => accepts(place) && cutter.keeps(point.toArray() as Point)));
  const pixel = (distance: number): number => view.pixelAt(add(ray.from, scaled(ray.direction, distance)));
  const run = runs.group.visible ? castRuns(runs.runs.values(), ray, pixel, RUN_REACH_PX, (point) => cutter.keeps(point)) : null;
  const solid = cast((place) => layer?.solidAt(place) ?? false);
  if (run !== null && (solid === null || run.distance < solid.distance + 3 * pixel(run.distance) + 1e-3)) {
    return {
      kind: "run", element: null, run: run.run.id, finding: null, findings: [], at_m: run.at, point_m: run.point,
      normal: null, role: null, corners: [],
    };
  }
  const hit = solid ?? cast((place) => layer?.visibleAt(place) ?? false);
  if (hit === null || layer === null) return null;
  const element = layer.building.elements[hit.element];
  return {
    kind: "element", element: element.id, run: null, finding: null, findings: [], at_m: null, point_m: hit.point,
    normal: hit.normal, role: element.role, corners: hit.corners,
  };
}

/** The findings whose markers stand for something behind a solid surface. */
export function findBehind(view: Projector, layer: BuildingLayer, runs: RunsLayer, cutter: SectionTool, markers: Markers): Set<string> {
  const behind = new Set<string>();
  for (const finding of markers.drawnFirst.slice(0, OCCLUDED_MOST)) {
    const place = finding.point_m as Point;
    const [x, y] = view.project(place);
    const ray = view.ray(x, y);
    const away = dot(sub(place, ray.from), ray.direction);
    const radius = runs.runs.get(finding.run ?? "")?.radius_m ?? 0;
    const other = layer.building.indexOf(finding.other);
    const hit = castBuilding(layer, ray, (at, point) =>
      layer.solidAt(at) && layer.order[at] !== other && cutter.keeps(point.toArray() as Point), away - radius - TOUCH_M);
    if (hit !== null) behind.add(finding.id);
  }
  return behind;
}
