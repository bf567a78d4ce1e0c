/** What the scene tells the rest of the page, and the words of both. */

import type { Camera, Edit } from "../payload";
import type { RoleState } from "./building";
import type { Chosen, Gesture, Pick } from "./ground";
import type { Measured } from "./measuring";
import type { Box2 } from "./paint";
import type { Section, Slice } from "./section";

export interface Selection {
  finding: string | null;
  run: string | null;
  element: string | null;
}

export interface SceneEvents {
  picked(pick: Pick | null, how: { additive: boolean; double: boolean }): void;
  hovered(pick: Pick | null): void;
  /** "moving" with each move, then "done" once, all with one id: one step of undo. */
  edited(edit: Edit, gesture: Gesture): void;
  chosen(refs: Chosen[]): void;
  /** A new run was made, or given up. */
  added(made: boolean): void;
  measured(measured: Measured | null): void;
  /** After the view came to rest. */
  camera(camera: Camera): void;
  section(section: Section | null): void;
  slice(slice: Slice | null): void;
  ready(what: "building" | "picking" | "edges"): void;
  /** There is no picture, and why. */
  trouble(sentence: string): void;
  mended(): void;
  /** Asked: what of the picture lies under buttons and the like, in its own pixels. */
  covered(): Box2[];
  /** A hint for the status line; empty: none. */
  says(sentence: string): void;
}

export interface RoleRow {
  role: string;
  colour: string;
  elements: number;
  triangles: number;
  state: RoleState;
}
