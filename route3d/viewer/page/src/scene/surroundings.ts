/** Zones, what was not read, and how far all of it reaches. */

import type { Plane } from "three";
import type { Point, Review } from "../payload";
import type { BuildingLayer, RoleState } from "./building";
import { drawUnread, drawZones, Loose, topRim } from "./details";
import { overlap } from "./labels";
import type { Painter } from "./paint";
import { type Theme, type Tones, ZONE_COLOURS } from "./palette";
import type { RunsLayer } from "./runs";
import type { SectionTool } from "./section";
import type { Projector } from "./sight";

const NAMES_MOST = 12; // with more zones their names would hide the picture

export interface Bounds {
  low: Point;
  high: Point;
}

export class Surroundings {
  readonly zones = new Loose();
  readonly unread = new Loose();
  state: RoleState = "ghost";

  draw(review: Review, tones: Tones, planes: Plane[]): void {
    this.zones.clear();
    if (this.state !== "hidden") drawZones(this.zones, review.zones, this.state, planes);
    this.unread.clear();
    drawUnread(this.unread, review.unread, tones.ink, planes);
  }

  /** Names of zones, each at the rim of its top that is lowest in the picture. */
  paintNames(paint: Painter, review: Review, view: Projector, cutter: SectionTool, theme: Theme): void {
    if (this.state === "hidden" || review.zones.length > NAMES_MOST) return;
    for (const zone of review.zones) {
      const width = paint.measure(zone.name);
      const spots = topRim(zone).filter((spot) => cutter.keeps(spot, 1e-3)).map((spot) => view.project(spot))
        .filter(([x, y, depth]) => depth > 0 && x > width / 2 && y > 10 && x < paint.width - width / 2 && y < paint.height - 24)
        .sort((a, b) => b[1] - a[1]);
      const boxes = spots.map(([x, y]) => ({ x, y, box: { left: x - width / 2, top: y + 2, right: x + width / 2, bottom: y + 20 } }));
      const open = boxes.filter(({ box }) => !paint.covers(box));
      const free = open.find(({ box }) => !paint.avoid.some((other) => overlap(box, other))) ?? open[0];
      if (free === undefined) continue;
      paint.taken.push(free.box);
      paint.words(zone.name, free.x, free.y + 11, theme === "dark" ? paint.tones.grey : darker(ZONE_COLOURS[zone.kind] ?? "#808892"));
    }
  }
}

function darker(colour: string): string {
  return `#${[1, 3, 5].map((k) => Math.round(Number.parseInt(colour.slice(k, k + 2), 16) * 0.55).toString(16).padStart(2, "0")).join("")}`;
}

/** Low and high corner of points; null where there are none. */
function around(points: Iterable<Point>): Bounds | null {
  const low: Point = [Infinity, Infinity, Infinity];
  const high: Point = [-Infinity, -Infinity, -Infinity];
  for (const point of points) {
    for (let k = 0; k < 3; k += 1) {
      low[k] = Math.min(low[k], point[k]);
      high[k] = Math.max(high[k], point[k]);
    }
  }
  return low[0] <= high[0] ? { low, high } : null;
}

function runCorners(runs: RunsLayer): Point[] {
  return [...runs.runs.values()].filter((one) => one.line.points.length > 0).flatMap((one) => [one.low, one.high]);
}

/** How far everything reaches. */
export function wholeBounds(review: Review, runs: RunsLayer, layer: BuildingLayer | null): Bounds {
  const points = runCorners(runs);
  for (const finding of review.findings) if (finding.point_m !== null) points.push(finding.point_m);
  for (const zone of review.zones) for (const point of zone.positions_m) points.push(point);
  for (const { box_m } of review.unread) if (box_m !== null) points.push(...box_m);
  if (layer !== null && layer.triangles > 0) points.push(layer.building.low_m, layer.building.high_m);
  return around(points) ?? { low: [-1, -1, -1], high: [1, 1, 1] };
}

/** How far the runs reach, where there are any: far stray elements must not shrink them to a dot. */
export function runBounds(runs: RunsLayer): Bounds | null {
  return around(runCorners(runs));
}
