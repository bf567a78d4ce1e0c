/** Corners under the pointer: what is drawn moves at once, the fitted tube follows when the check answers. */

import type { Point, Run } from "../payload";
import { type Dragged, dragged, movedTogether, type Snap, step } from "./drag";
import { type Chosen, type Ground, near, newGesture, type Pointer, type Tool } from "./ground";
import { add, mixed, size, sub } from "./line";
import type { Painter, Spot2 } from "./paint";

const HANDLE_PX = 10;
const RING_LEAST_PX = 46; // legs that look shorter than this get no ring for a new corner
const SAME_M = 1e-6;

interface Held {
  run: string;
  corner: number;
  /** All corners of all runs as they stood when the drag began. */
  base: Map<string, Point[]>;
  gesture: string;
  label: string;
  last: Dragged;
  moved: boolean;
}

export class EditTool implements Tool {
  snap: Snap = { axis: true, level: true };
  /** Runs whose corners can be dragged, as they are drawn now. */
  readonly drawn = new Map<string, Point[]>();
  private picked: Chosen[] = [];
  private held: Held | null = null;
  private box: { from: Pointer; to: Pointer } | null = null;

  constructor(private readonly ground: Ground, private readonly tellChosen: (refs: Chosen[]) => void) {}

  // --- which runs ------------------------------------------------------------------------------------------------

  edit(runs: string[]): void {
    for (const id of [...this.drawn.keys()]) if (!runs.includes(id)) this.drawn.delete(id);
    for (const id of runs) {
      const run = this.ground.runs.runs.get(id)?.run;
      if (run !== undefined && !this.drawn.has(id)) this.drawn.set(id, run.corners_m);
    }
    this.choose(this.picked.filter((ref) => this.drawn.has(ref.run)));
  }

  get editing(): boolean {
    return this.drawn.size > 0;
  }

  get dragging(): boolean {
    return this.held !== null;
  }

  /** The check has answered: where nothing is held, what is drawn is what the run says. */
  refreshed(runs: Run[], gone: string[]): void {
    for (const id of gone) this.drawn.delete(id);
    if (this.dragging) return;
    for (const run of runs) {
      if (this.drawn.has(run.id)) this.drawn.set(run.id, run.corners_m);
    }
    this.choose(this.picked.filter((ref) => ref.corner < (this.drawn.get(ref.run)?.length ?? 0)));
  }

  showDrawn(run: string, corners: Point[]): void {
    if (this.drawn.has(run)) this.drawn.set(run, corners);
    this.choose(this.picked.filter((ref) => ref.run !== run || ref.corner < corners.length));
  }

  // --- which corners ---------------------------------------------------------------------------------------------

  get chosen(): Chosen[] {
    return this.picked.map((ref) => ({ ...ref }));
  }

  choose(refs: Chosen[]): void {
    this.picked = refs.filter((ref) => (this.drawn.get(ref.run)?.length ?? 0) > ref.corner);
    this.tellChosen(this.chosen);
    this.ground.redraw();
  }

  private isChosen(run: string, corner: number): boolean {
    return this.picked.some((ref) => ref.run === run && ref.corner === corner);
  }

  private chosenOf(run: string): Set<number> {
    return new Set(this.picked.filter((ref) => ref.run === run).map((ref) => ref.corner));
  }

  private cornerAt(x: number, y: number): Chosen | null {
    let least = HANDLE_PX;
    let found: Chosen | null = null;
    for (const [run, corners] of this.drawn) {
      corners.forEach((point, corner) => {
        const [px, py, depth] = this.ground.view.project(point);
        const away = Math.hypot(px - x, py - y);
        if (depth > 0 && away < least) {
          least = away;
          found = { run, corner };
        }
      });
    }
    return found;
  }

  /** Corners so near each other on the screen that one cannot mean a single one: the chords of a drawn bend, say. */
  private together(ref: Chosen): Chosen[] {
    const corners = this.drawn.get(ref.run) as Point[];
    const seen = corners.map((corner) => this.ground.view.project(corner));
    const made = [ref];
    for (const way of [1, -1]) {
      for (let k = ref.corner + way; k > 0 && k < corners.length - 1; k += way) {
        if (Math.hypot(seen[k][0] - seen[k - way][0], seen[k][1] - seen[k - way][1]) > HANDLE_PX) break;
        made.push({ run: ref.run, corner: k });
      }
    }
    return made;
  }

  /** The ring in the middle of a leg. */
  private legAt(x: number, y: number): { run: string; leg: number } | null {
    for (const [run, corners] of this.drawn) {
      for (let leg = 0; leg + 1 < corners.length; leg += 1) {
        if (!this.hasRing(corners[leg], corners[leg + 1])) continue;
        if (near(x, y, this.ground.view.project(mixed(corners[leg], corners[leg + 1], 0.5)), HANDLE_PX)) return { run, leg };
      }
    }
    return null;
  }

  private hasRing(a: Point, b: Point): boolean {
    const [p, q] = [this.ground.view.project(a), this.ground.view.project(b)];
    return p[2] > 0 && q[2] > 0 && Math.hypot(p[0] - q[0], p[1] - q[1]) > RING_LEAST_PX;
  }

  // --- changes that are told ---------------------------------------------------------------------------------------

  moveCorner(run: string, corner: number, point: Point): void {
    const corners = this.drawn.get(run) ?? this.ground.runs.runs.get(run)?.run.corners_m;
    if (corners === undefined || corners[corner] === undefined) return;
    this.set(run, corners.map((old, k) => (k === corner ? point : old)), newGesture(), "done", `move corner ${corner + 1} of ${run}`);
  }

  insertCorner(run: string, leg: number, point?: Point): void {
    const corners = this.drawn.get(run) ?? this.ground.runs.runs.get(run)?.run.corners_m;
    if (corners === undefined || leg < 0 || leg + 1 >= corners.length) return;
    const made = [...corners.slice(0, leg + 1), point ?? mixed(corners[leg], corners[leg + 1], 0.5), ...corners.slice(leg + 1)];
    this.set(run, made, newGesture(), "done", `new corner in ${run}`);
    this.choose([{ run, corner: leg + 1 }]);
  }

  deleteChosen(): void {
    const gesture = newGesture();
    for (const run of new Set(this.picked.map((ref) => ref.run))) {
      const corners = this.drawn.get(run) as Point[];
      const gone = this.chosenOf(run);
      const left = corners.filter((_, k) => !gone.has(k));
      if (left.length < 2) {
        this.ground.says(`${run} needs two corners: to take all of it away, delete the run.`);
        continue;
      }
      this.set(run, left, gesture, "done", `take ${gone.size === 1 ? "a corner" : `${gone.size} corners`} out of ${run}`);
    }
    this.choose([]);
  }

  private set(run: string, corners: Point[], gesture: string, phase: "moving" | "done", label: string): void {
    if (this.drawn.has(run)) this.drawn.set(run, corners);
    this.ground.edited({ run, corners_m: corners }, { id: gesture, phase, label });
    this.ground.redraw();
  }

  // --- the pointer -----------------------------------------------------------------------------------------------

  down(at: Pointer): boolean {
    if (!this.editing) return false;
    const ref = this.cornerAt(at.x, at.y);
    if (ref !== null) {
      const meant = this.together(ref);
      const chosen = this.isChosen(ref.run, ref.corner);
      if (at.shift || at.control) {
        const others = this.picked.filter((other) => !meant.some((one) => one.run === other.run && one.corner === other.corner));
        this.choose(chosen ? others : [...others, ...meant]);
      } else if (!chosen) this.choose(meant);
      this.hold(ref, this.picked.length > 1 ? `move ${this.picked.length} corners` : `move corner ${ref.corner + 1} of ${ref.run}`);
      return true;
    }
    const leg = this.legAt(at.x, at.y);
    if (leg !== null) {
      const corners = this.drawn.get(leg.run) as Point[];
      const made = [...corners.slice(0, leg.leg + 1), mixed(corners[leg.leg], corners[leg.leg + 1], 0.5), ...corners.slice(leg.leg + 1)];
      this.drawn.set(leg.run, made);
      this.choose([{ run: leg.run, corner: leg.leg + 1 }]);
      this.hold({ run: leg.run, corner: leg.leg + 1 }, `new corner in ${leg.run}`);
      return true;
    }
    if (at.shift && this.drawn.size > 0) {
      this.box = { from: at, to: at };
      return true;
    }
    return false;
  }

  private hold(ref: Chosen, label: string): void {
    const start = (this.drawn.get(ref.run) as Point[])[ref.corner];
    this.held = {
      ...ref, base: new Map(this.drawn), gesture: newGesture(), label, moved: false, last: { point: start, follows: "", guide: null },
    };
  }

  drag(at: Pointer): void {
    if (this.box !== null) {
      this.box.to = at;
      this.ground.redraw();
      return;
    }
    const { held } = this;
    if (held === null) return;
    const corners = held.base.get(held.run) as Point[];
    const start = corners[held.corner];
    // neighbours that move along are no lines to follow
    const legs = [-1, 1].map((way) => {
      let k = held.corner + way;
      while (corners[k] !== undefined && this.isChosen(held.run, k)) k += way;
      return corners[k];
    }).filter((corner) => corner !== undefined);
    const snap = at.alt ? { axis: false, level: false } : this.snap;
    held.last = dragged(this.ground.view, at.x, at.y, start, legs, snap);
    const by = sub(held.last.point, start);
    held.moved ||= size(by) > SAME_M;
    this.apply(held, by, "moving");
    const { along, length } = step(start, held.last.point);
    const { lengths } = this.ground;
    const parts = along.map((value, k) => (Math.abs(value) > 5e-5 ? `${"xyz"[k]} ${value > 0 ? "+" : "\u2212"}${lengths.show(Math.abs(value))}` : "")).filter(Boolean);
    this.ground.says([held.last.follows, lengths.show(length), parts.length > 1 ? `(${parts.join(", ")})` : ""].filter(Boolean).join(" "));
  }

  private apply(held: Held, by: Point, phase: "moving" | "done"): void {
    for (const [run, corners] of held.base) {
      const chosen = this.chosenOf(run);
      if (chosen.size > 0) this.set(run, movedTogether(corners, chosen, by), held.gesture, phase, held.label);
    }
  }

  up(): void {
    if (this.box !== null) {
      const [{ x: x0, y: y0 }, { x: x1, y: y1 }] = [this.box.from, this.box.to];
      this.box = null;
      const inside: Chosen[] = [...this.picked];
      for (const [run, corners] of this.drawn) {
        corners.forEach((point, corner) => {
          const [x, y, depth] = this.ground.view.project(point);
          const within = depth > 0 && x >= Math.min(x0, x1) && x <= Math.max(x0, x1) && y >= Math.min(y0, y1) && y <= Math.max(y0, y1);
          if (within && !this.isChosen(run, corner)) inside.push({ run, corner });
        });
      }
      this.choose(inside);
      return;
    }
    const { held } = this;
    if (held === null) return;
    this.held = null;
    this.ground.says("");
    const start = (held.base.get(held.run) as Point[])[held.corner];
    if (held.moved || held.label.startsWith("new corner")) this.apply(held, sub(held.last.point, start), "done");
    this.ground.redraw();
  }

  hover(at: Pointer): string | null {
    if (!this.editing) return null;
    if (this.cornerAt(at.x, at.y) !== null) return "move";
    return this.legAt(at.x, at.y) !== null ? "copy" : null;
  }

  key(key: string): boolean {
    if (!this.editing) return false;
    if (key === "Escape") {
      if (this.held !== null) {
        // back to where it was, as part of the same step
        const { held } = this;
        this.held = null;
        this.ground.says("");
        this.apply(held, [0, 0, 0], "done");
        return true;
      }
      if (this.picked.length === 0) return false;
      this.choose([]);
      return true;
    }
    if (key === "Delete" && this.picked.length > 0) {
      this.deleteChosen();
      return true;
    }
    return false;
  }

  // --- the picture -----------------------------------------------------------------------------------------------

  draw(paint: Painter): void {
    const { view, tones, lengths } = this.ground;
    const spot = (point: Point): Spot2 => view.project(point).slice(0, 2) as Spot2;
    for (const [run, corners] of this.drawn) {
      const seen = corners.map((corner) => view.project(corner));
      for (let k = 0; k + 1 < seen.length; k += 1) {
        if (seen[k][2] > 0 && seen[k + 1][2] > 0) {
          paint.haloed([seen[k].slice(0, 2) as Spot2, seen[k + 1].slice(0, 2) as Spot2], tones.ink, 1.2, [6, 4]);
        }
      }
      for (let leg = 0; leg + 1 < corners.length; leg += 1) {
        if (!this.hasRing(corners[leg], corners[leg + 1])) continue;
        const [x, y] = spot(mixed(corners[leg], corners[leg + 1], 0.5));
        paint.disk(x, y, 4, tones.paper, tones.ink, 1.2);
      }
      seen.forEach(([x, y, depth], corner) => {
        if (depth <= 0) return;
        const fill = this.isChosen(run, corner) ? tones.focus : tones.paper;
        if (corner === 0 || corner === corners.length - 1) paint.diamond(x, y, 8, fill, tones.ink);
        else paint.square(x, y, 5.5, fill, tones.ink);
      });
    }
    if (this.held?.last.guide) {
      const [a, b] = this.held.last.guide;
      const way = sub(b, a);
      if (size(way) > SAME_M) paint.line([spot(sub(a, way)), spot(add(b, way))], tones.focus, 1, [3, 3]);
    }
    if (this.held !== null) {
      const corners = this.drawn.get(this.held.run) as Point[];
      for (const k of [this.held.corner - 1, this.held.corner + 1]) {
        const other = corners[k];
        if (other !== undefined) paint.labelBeside(lengths.show(size(sub(other, corners[this.held.corner]))), [spot(corners[this.held.corner]), spot(other)], tones.focus);
      }
    }
    if (this.box !== null) {
      const { from, to } = this.box;
      paint.line([[from.x, from.y], [to.x, from.y], [to.x, to.y], [from.x, to.y], [from.x, from.y]], tones.focus, 1.2, [4, 3]);
    }
  }
}
