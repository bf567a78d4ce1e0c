/** Measure between two places on surfaces. */

import type { Distance, Point } from "../payload";
import { boxesAlong } from "./labels";
import { dot, size, sub } from "./line";
import { type Ground, near, type Pick, type Pointer, type Tool } from "./ground";
import type { Lengths } from "../units";
import type { Painter, Spot2 } from "./paint";

export interface Measured {
  from_m: Point;
  to_m: Point;
  gap_m: number;
  delta_m: Point;
  /** The distance square to both faces, where they are parallel; else null. */
  square_m: number | null;
  from: Pick;
  to: Pick;
}

interface Labelled {
  words: string;
  line: Spot2[];
  colour: string;
}

const CORNER_PX = 9;
const AXIS_COLOURS = ["#d55e00", "#009e73", "#0072b2"];
const AXIS_DASHES = [[], [7, 4], [2, 4]];

/** The nearest corner of the triangle that was hit, where one is near the pointer: corners are what one measures to. */
export function atCorner(ground: Ground, pick: Pick, x: number, y: number): Pick {
  let least = CORNER_PX;
  let found: Point | null = null;
  for (const corner of pick.corners) {
    const [px, py, depth] = ground.view.project(corner);
    const away = Math.hypot(px - x, py - y);
    if (depth > 0 && away < least) {
      least = away;
      found = corner;
    }
  }
  return found === null ? pick : { ...pick, point_m: found };
}

export function measuredBetween(from: Pick, to: Pick): Measured {
  const delta = sub(to.point_m, from.point_m);
  const parallel = from.normal !== null && to.normal !== null && Math.abs(dot(from.normal, to.normal)) > 1 - 1e-4;
  return {
    from_m: from.point_m, to_m: to.point_m, gap_m: size(delta), delta_m: delta,
    square_m: parallel ? Math.abs(dot(delta, from.normal as Point)) : null, from, to,
  };
}

export function nearestWords(nearest: Distance, lengths: Lengths): string {
  return nearest.gap_m > 0 ? `nearest ${lengths.both(nearest.gap_m)}` : "they touch or overlap";
}

export class MeasureTool implements Tool {
  private active = false;
  private from: Pick | null = null;
  private to: Pick | null = null;
  private over: Pick | null = null;
  private nearest: Distance | null = null;

  constructor(private readonly ground: Ground, private readonly tell: (measured: Measured | null) => void) {}

  start(active: boolean): void {
    this.active = active;
    this.clear();
  }

  /** Draw the shortest way between the two things, too; null: it is not known. */
  showNearest(nearest: Distance | null): void {
    this.nearest = this.to === null ? null : nearest;
    this.ground.redraw();
  }

  click(at: Pointer): boolean {
    if (!this.active) return false;
    const raw = this.ground.pickSolid(at.x, at.y);
    if (raw === null) {
      this.ground.says("There is no surface here to measure to.");
      return true;
    }
    const pick = atCorner(this.ground, raw, at.x, at.y);
    if (this.from === null || this.to !== null) {
      this.from = pick;
      this.to = this.nearest = null;
      this.tell(null);
      this.ground.says("Now click the place to measure to.");
    } else {
      this.to = pick;
      this.tell(measuredBetween(this.from, pick));
      this.ground.says("");
    }
    this.ground.redraw();
    return true;
  }

  hover(at: Pointer): string | null {
    if (!this.active) return null;
    const raw = this.ground.pickSolid(at.x, at.y);
    this.over = raw === null ? null : atCorner(this.ground, raw, at.x, at.y);
    this.ground.redraw();
    return "crosshair";
  }

  key(key: string): boolean {
    if (!this.active || key !== "Escape" || this.from === null) return false;
    this.clear();
    return true;
  }

  private clear(): void {
    this.from = null;
    this.to = this.nearest = null;
    this.over = null;
    this.tell(null);
    this.ground.redraw();
  }

  draw(paint: Painter): void {
    const { view, tones, lengths } = this.ground;
    const spot = (point: Point): Spot2 => view.project(point).slice(0, 2) as Spot2;
    const to = this.to ?? (this.from !== null ? this.over : null);
    if (this.over !== null && this.to === null) {
      const [x, y] = spot(this.over.point_m);
      paint.disk(x, y, 4, tones.paper, tones.ink);
    }
    if (this.from === null) return;
    const [x, y] = spot(this.from.point_m);
    if (to !== null) {
      const measured = measuredBetween(this.from, to);
      const legs: Labelled[] = [];
      // from one place to the other along x, then y, then z
      let corner = this.from.point_m;
      measured.delta_m.forEach((length, k) => {
        if (Math.abs(length) < 5e-5) return;
        const next = corner.slice() as Point;
        next[k] = to.point_m[k];
        const line = [spot(corner), spot(next)];
        paint.line(line, AXIS_COLOURS[k], 1.5, AXIS_DASHES[k]);
        paint.avoid.push(...boxesAlong(line));
        if (this.to !== null && !near(...line[0], [...line[1], 1], 40)) legs.push({ words: `${"xyz"[k]} ${lengths.show(Math.abs(length))}`, line, colour: AXIS_COLOURS[k] });
        corner = next;
      });
      const line = [spot(this.from.point_m), spot(to.point_m)];
      const square = measured.square_m !== null && measured.gap_m - measured.square_m > 5e-4 ? `, square to the faces ${lengths.show(measured.square_m)}` : "";
      const ways: Labelled[] = [{ words: lengths.both(measured.gap_m) + square, line, colour: tones.ink }];
      if (this.nearest !== null) {
        ways.unshift({ words: nearestWords(this.nearest, lengths), line: [spot(this.nearest.from_m), spot(this.nearest.to_m)], colour: tones.focus });
      }
      for (const { line: seen, colour } of ways) {
        paint.haloed(seen, colour, 2.2);
        paint.ticks(seen, colour);
        paint.avoid.push(...boxesAlong(seen));
      }
      for (const { words, line: seen, colour } of [...ways, ...legs]) paint.labelBeside(words, seen, colour);
    }
    paint.disk(x, y, 4, tones.ink, tones.paper);
  }
}

