/** Straps and supports under the pointer: dragged along the fitted line, added by a click on it. */

import type { Edit, Run } from "../payload";
import { dragAlong } from "./drag";
import { type Ground, near, newGesture, type Pointer, type Tool } from "./ground";
import { lengthOf, type Line, pointAt } from "./line";
import type { Painter } from "./paint";

const HANDLE_PX = 10;
const SAME_M = 1e-6;
const STEP = 1000; // a metre in millimetres: nobody straps to less than one

/** A strap, or a place where the run only rests on something. */
interface Mark {
  at: number;
  rests: boolean;
}

interface Held {
  mark: number;
  base: Mark[];
  gesture: string;
  moved: boolean;
}

type Phase = "moving" | "done";

function marksOf(straps: number[], supports: number[]): Mark[] {
  return [...straps.map((at) => ({ at, rests: false })), ...supports.map((at) => ({ at, rests: true }))];
}

const named = (rests: boolean): string => (rests ? "support" : "strap");

export class StrapTool implements Tool {
  private run: string | null = null;
  private marks: Mark[] = [];
  private readonly shown = new Map<string, Mark[]>();
  private held: Held | null = null;
  private chosen = -1;

  constructor(private readonly ground: Ground) {}

  get dragging(): boolean {
    return this.held !== null;
  }

  start(run: string | null): void {
    const found = run === null ? undefined : this.ground.runs.runs.get(run)?.run;
    this.chosen = -1;
    this.held = null;
    this.run = found?.id ?? null;
    this.marks = found === undefined ? [] : this.shown.get(found.id) ?? marksOf(found.straps_at_m, found.supports_at_m);
    this.ground.redraw();
  }

  /** What is drawn, after undo or a refusal. */
  show(run: string, straps: number[], supports: number[]): void {
    this.keep(run, marksOf(straps, supports));
  }

  private keep(run: string, marks: Mark[]): void {
    this.shown.set(run, marks);
    if (this.run === run) this.marks = marks;
    this.ground.redraw();
  }

  /** The check has answered: where nothing is held, marks are where the run says. */
  refreshed(runs: Run[], gone: string[]): void {
    if (this.run !== null && gone.includes(this.run)) this.start(null);
    if (this.held !== null) return;
    for (const run of runs) {
      this.shown.delete(run.id);
      if (this.run === run.id) this.marks = marksOf(run.straps_at_m, run.supports_at_m);
    }
  }

  /** Take the chosen one off; false where none is chosen. */
  deleteChosen(): boolean {
    if (this.run === null || this.chosen < 0 || this.chosen >= this.marks.length) return false;
    const gone = this.marks[this.chosen];
    this.chosen = -1;
    this.tell(this.marks.filter((mark) => mark !== gone), gone.rests, newGesture(), "done", `take a ${named(gone.rests)} off ${this.run}`);
    return true;
  }

  private tell(marks: Mark[], rests: boolean, gesture: string, phase: Phase, label: string): void {
    const run = this.run as string;
    this.keep(run, marks);
    const at = marks.filter((mark) => mark.rests === rests).map((mark) => mark.at).sort((a, b) => a - b);
    const edit: Edit = rests ? { run, supports_at_m: at } : { run, straps_at_m: at };
    this.ground.edited(edit, { id: gesture, phase, label });
  }

  private get line(): Line | null {
    return this.ground.runs.runs.get(this.run ?? "")?.line ?? null;
  }

  private markAt(x: number, y: number): number {
    const { line } = this;
    return line === null ? -1 : this.marks.findIndex(({ at }) => near(x, y, this.ground.view.project(pointAt(line, at)), HANDLE_PX));
  }

  down(at: Pointer): boolean {
    const mark = this.markAt(at.x, at.y);
    if (mark < 0) return false;
    this.chosen = mark;
    this.held = { mark, base: this.marks, gesture: newGesture(), moved: false };
    this.ground.redraw();
    return true;
  }

  drag(at: Pointer): void {
    const { held, line } = this;
    if (held === null || line === null) return;
    const { view, lengths } = this.ground;
    const pixelAt = (distance: number): number => (view.sight.projection === "perspective" ? distance / view.rows : 1);
    const where = dragAlong(line, view.ray(at.x, at.y), pixelAt);
    if (where === null) return;
    const value = Math.min(Math.max(at.alt ? where : Math.round(where * STEP) / STEP, 0), lengthOf(line));
    const { rests, at: before } = held.base[held.mark];
    held.moved ||= Math.abs(value - before) > SAME_M;
    const moved = held.base.map((mark, k) => (k === held.mark ? { at: value, rests } : mark));
    this.tell(moved, rests, held.gesture, "moving", `move a ${named(rests)} on ${this.run}`);
    const others = [0, ...held.base.filter((_, k) => k !== held.mark).map((mark) => mark.at), lengthOf(line)].sort((a, b) => a - b);
    const last = others.filter((other) => other <= value).pop() ?? 0;
    const next = others.find((other) => other > value) ?? lengthOf(line);
    const [along, since, until] = [value, value - last, next - value].map((length) => lengths.show(length));
    this.ground.says(`${named(rests)} at ${along} along ${this.run}, ${since} after what is before it, ${until} before what follows`);
  }

  up(): void {
    const { held } = this;
    this.held = null;
    if (held === null) return;
    this.ground.says("");
    const { rests } = held.base[held.mark];
    if (held.moved) this.tell(this.marks, rests, held.gesture, "done", `move a ${named(rests)} on ${this.run}`);
  }

  click(at: Pointer): boolean {
    if (this.run === null) return false;
    const pick = this.ground.pickSolid(at.x, at.y);
    if (pick === null || pick.run !== this.run || pick.at_m === null) return false;
    const made = [...this.marks, { at: Math.round(pick.at_m * STEP) / STEP, rests: at.alt }];
    this.chosen = made.length - 1;
    this.tell(made, at.alt, newGesture(), "done", `new ${named(at.alt)} on ${this.run}`);
    return true;
  }

  hover(at: Pointer): string | null {
    return this.markAt(at.x, at.y) >= 0 ? "ew-resize" : null;
  }

  key(key: string): boolean {
    if (this.run === null) return false;
    if (key === "Delete") return this.deleteChosen();
    if (key !== "Escape") return false;
    if (this.held !== null) {
      const { held } = this;
      this.held = null;
      this.ground.says("");
      this.tell(held.base, held.base[held.mark].rests, held.gesture, "done", `move a ${named(held.base[held.mark].rests)} on ${this.run}`);
      return true;
    }
    if (this.chosen < 0) return false;
    this.chosen = -1;
    this.ground.redraw();
    return true;
  }

  draw(paint: Painter): void {
    const { line } = this;
    const { tones, view } = this.ground;
    if (line === null) return;
    this.marks.forEach(({ at, rests }, k) => {
      const [x, y, depth] = view.project(pointAt(line, at));
      if (depth <= 0) return;
      const fill = k === this.chosen ? tones.focus : tones.paper;
      if (rests) paint.disk(x, y, 6, fill, tones.ink, 2);
      else {
        paint.line([[x, y - 10], [x, y + 10]], tones.ink, 2);
        paint.square(x, y, 6, fill, tones.ink, 2);
      }
    });
  }
}
