/** What the tools of the scene share: the view, picking, words, and a way to ask for a new picture. */

import type { Edit, Point } from "../payload";
import type { Lengths } from "../units";
import type { Painter } from "./paint";
import type { Tones } from "./palette";
import type { RunsLayer } from "./runs";
import type { Projector } from "./sight";

export interface Pick {
  kind: "element" | "run" | "finding";
  element: string | null;
  run: string | null;
  finding: string | null;
  /** All findings of the marker that was hit, worst first. */
  findings: string[];
  /** Distance along the run. */
  at_m: number | null;
  /** Relative to origin_m, as all places. */
  point_m: Point;
  normal: Point | null;
  /** Role of the element. */
  role: string | null;
  /** Corners of the triangle that was hit. */
  corners: Point[];
}

export interface Chosen {
  run: string;
  corner: number;
}

export interface Gesture {
  /** One id is one step of undo. */
  id: string;
  phase: "moving" | "done";
  label: string;
}

export interface Ground {
  readonly view: Projector;
  readonly tones: Tones;
  readonly lengths: Lengths;
  readonly runs: RunsLayer;
  /** Surfaces and runs under a place of the window; markers are not asked. */
  pickSolid(x: number, y: number): Pick | null;
  edited(edit: Edit, gesture: Gesture): void;
  says(sentence: string): void;
  /** Ask for a new picture: of the marks only, or of the scene too. */
  redraw(scene?: boolean): void;
}

export interface Pointer {
  x: number;
  y: number;
  shift: boolean;
  alt: boolean;
  /** Ctrl or the command key. */
  control: boolean;
}

/** Something that may take the pointer before the view does; each answer says whether it did. */
export interface Tool {
  down?(at: Pointer): boolean;
  drag?(at: Pointer): void;
  up?(at: Pointer): void;
  /** A press without movement. */
  click?(at: Pointer, double: boolean): boolean;
  hover?(at: Pointer): string | null;
  key?(key: string, shift: boolean): boolean;
  draw(paint: Painter): void;
}

let gestures = 0;

/** A new id for a gesture. */
export function newGesture(): string {
  gestures += 1;
  return `g${gestures}`;
}

export function near(x: number, y: number, spot: readonly number[], reach: number): boolean {
  return spot[2] > 0 && Math.hypot(spot[0] - x, spot[1] - y) <= reach;
}
