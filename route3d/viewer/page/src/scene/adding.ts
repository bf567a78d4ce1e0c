/** A new run, drawn by clicking its corners: ends on surfaces, between them on a level and along axes. */

import type { Edit, Point } from "../payload";
import { type Dragged, dragged, type Snap } from "./drag";
import { type Ground, newGesture, type Pick, type Pointer, type Tool } from "./ground";
import { add, scaled, size, sub } from "./line";
import type { Painter, Spot2 } from "./paint";

const END_ROLES = new Set(["box", "cabinet", "luminaire", "equipment"]);

export interface NewRun {
  run: string;
  cable: string;
  radius_m: number;
}

interface Corner {
  point: Point;
  end: string;
}

export class AddTool implements Tool {
  snap: Snap = { axis: true, level: true };
  private run: NewRun | null = null;
  private corners: Corner[] = [];
  private next: (Corner & { follows: string; guide: Dragged["guide"] }) | null = null;

  constructor(private readonly ground: Ground, private readonly tell: (made: boolean) => void) {}

  get active(): boolean {
    return this.run !== null;
  }

  start(run: NewRun | null): void {
    this.run = run;
    this.corners = [];
    this.next = null;
    this.ground.says(run === null ? "" : "Click where the run begins: on a box, a cabinet, a luminaire, or any surface.");
    this.ground.redraw();
  }

  /** Where a click would put a corner. */
  private at(at: Pointer): typeof this.next {
    const run = this.run as NewRun;
    const pick = this.ground.pickSolid(at.x, at.y);
    const ends = pick !== null && pick.role !== null && END_ROLES.has(pick.role);
    const last = this.corners[this.corners.length - 1];
    if (last === undefined) return pick === null ? null : { ...this.onSurface(pick, run), follows: "", guide: null };
    if (ends) return { ...this.onSurface(pick, run), follows: `at the ${pick.role}`, guide: null };
    if (at.alt && pick !== null) return { ...this.onSurface(pick, run), follows: "on the surface", guide: null };
    const before = this.corners[this.corners.length - 2];
    // without level lock a corner keeps its distance from the viewer, which the axes then turn into heights
    const on = dragged(this.ground.view, at.x, at.y, last.point, before === undefined ? [] : [before.point], this.snap);
    return { point: on.point, end: "open", follows: on.follows, guide: on.guide };
  }

  private onSurface(pick: Pick, run: NewRun): Corner {
    const role = pick.role !== null && END_ROLES.has(pick.role) ? pick.role : "open";
    // on anything but its end, the cable lies on the surface and not in it
    const out = role === "open" && pick.normal !== null ? scaled(pick.normal, run.radius_m) : ([0, 0, 0] as Point);
    return { point: add(pick.point_m, out), end: role };
  }

  click(at: Pointer, double: boolean): boolean {
    if (this.run === null) return false;
    if (double) {
      this.finish();
      return true;
    }
    const next = this.at(at);
    if (next === null) {
      this.ground.says("There is no surface here: begin on a box, a cabinet, a luminaire, or any surface.");
      return true;
    }
    const last = this.corners[this.corners.length - 1];
    if (last === undefined || size(sub(next.point, last.point)) > 1e-4) this.corners.push({ point: next.point, end: next.end });
    this.ground.says(this.corners.length === 1
      ? "Click the next corner. Alt: on the surface under the pointer. Backspace takes a corner back, Esc gives up."
      : "Enter or a double click ends the run here.");
    this.ground.redraw();
    return true;
  }

  hover(at: Pointer): string | null {
    if (this.run === null) return null;
    this.next = this.at(at);
    this.ground.redraw();
    return "crosshair";
  }

  key(key: string): boolean {
    if (this.run === null) return false;
    if (key === "Enter") this.finish();
    else if (key === "Escape") {
      this.start(null);
      this.tell(false);
    } else if (key === "Backspace") {
      this.corners.pop();
      this.ground.redraw();
    } else return false;
    return true;
  }

  private finish(): void {
    const run = this.run as NewRun;
    if (this.corners.length < 2) {
      this.ground.says("A run needs two corners at least.");
      return;
    }
    const edit: Edit = {
      run: run.run, cable: run.cable, corners_m: this.corners.map((corner) => corner.point),
      start: this.corners[0].end, end: this.corners[this.corners.length - 1].end, added: true,
    };
    this.start(null);
    this.ground.edited(edit, { id: newGesture(), phase: "done", label: `new run ${run.run}` });
    this.tell(true);
  }

  draw(paint: Painter): void {
    if (this.run === null) return;
    const { view, tones, lengths } = this.ground;
    const spot = (point: Point): Spot2 => view.project(point).slice(0, 2) as Spot2;
    paint.haloed(this.corners.map((corner) => spot(corner.point)), tones.ink, 2);
    const last = this.corners[this.corners.length - 1];
    if (this.next !== null) {
      const [x, y] = spot(this.next.point);
      if (last !== undefined) {
        const leg = [spot(last.point), spot(this.next.point)];
        paint.haloed(leg, tones.focus, 1.5, [6, 4]);
        const words = [lengths.show(size(sub(this.next.point, last.point))), this.next.follows].filter(Boolean).join(", ");
        paint.labelBeside(words, leg, tones.focus);
      }
      if (this.next.end === "open") paint.disk(x, y, 4, tones.paper, tones.focus, 2);
      else paint.diamond(x, y, 8, tones.paper, tones.focus, 2);
    }
    this.corners.forEach((corner, k) => {
      const [x, y] = spot(corner.point);
      if (k === 0) paint.diamond(x, y, 7, tones.paper, tones.ink);
      else paint.square(x, y, 4.5, tones.paper, tones.ink);
    });
  }
}
