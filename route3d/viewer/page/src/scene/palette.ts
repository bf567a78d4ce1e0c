/**
 * Colours of the scene: those of the pictures (route3d/drawables.py). Strong ones are from Okabe and Ito's set, which
 * the colour-blind tell apart; each of them has a shape or a pattern beside it.
 */

import type { Severity, Verdict } from "../payload";

export type Theme = "light" | "dark";

export const VERDICT_COLOURS: Record<Verdict, string> = { pass: "#009e73", fail: "#d55e00", unchecked: "#cc79a7" };
export const SEVERITY_COLOURS: Record<Severity, string> = { violation: "#d55e00", caution: "#e69f00", note: "#56b4e9" };
export const SEVERITY_SIZES: Record<Severity, number> = { violation: 1, caution: 0.85, note: 0.7 };
export const REQUIRED_COLOUR = "#0072b2";

export const ROLE_COLOURS: Record<string, string> = {
  structure: "#bcbbb5", framing: "#cbb592", deck: "#b0bac4", wall: "#c4c0b8", "fire-wall": "#c9a398", ceiling: "#ced4d8",
  duct: "#9eb6ca", pipe: "#86aaa0", "hot-pipe": "#c49086", sprinkler: "#baa0b2", tray: "#808892", equipment: "#a6a0b8",
  luminaire: "#e2d8a8", box: "#545e6a", cabinet: "#464e5a", "access-panel": "#acc2b2", strap: "#2c3036", hanger: "#2c3036",
  plate: "#70767e", obstacle: "#b8b0a0",
};

/** Surfaces that enclose the space in which cables run: looked through from the start. */
export const GHOST_OPACITY: Record<string, number> = { framing: 0.25, deck: 0.1, ceiling: 0.14, wall: 0.16, "fire-wall": 0.24 };
export const GHOST_ELSE = 0.16;
export const FADED_OPACITY = 0.12;

export const ZONE_COLOURS: Record<string, string> = {
  "accessible-ceiling": "#f0e442", inaccessible: "#cc79a7", wet: "#0072b2", damp: "#56b4e9", corrosive: "#e69f00",
  damage: "#d55e00", plenum: "#009e73", duct: "#009e73", attic: "#f0e442", buried: "#000000",
};
export const ZONE_OPACITY = 0.06;

export interface Tones {
  paper: string;
  ink: string;
  grey: string;
  edge: string;
  edgeOpacity: number;
  /** How far building colours go towards black. */
  shade: number;
  focus: string;
  /** Clips, rings and ends on runs. */
  mark: string;
}

export const TONES: Record<Theme, Tones> = {
  light: { paper: "#fafaf8", ink: "#282c32", grey: "#6a7078", edge: "#282c32", edgeOpacity: 0.42, shade: 0, focus: "#0072b2", mark: "#2c3036" },
  dark: { paper: "#1b1f24", ink: "#e8e6e0", grey: "#9aa2ac", edge: "#0c0e11", edgeOpacity: 0.75, shade: 0.34, focus: "#6cc4f5", mark: "#c8ccd2" },
};
