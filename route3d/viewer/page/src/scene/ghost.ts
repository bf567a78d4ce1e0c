/**
 * What is not there yet: proposals as dashed tubes that one sees through, beside the runs as they are; and the ends of
 * runs that have no route. Dashes and words say so, not the colour alone.
 */

import { Mesh } from "three";
import type { Option, Point, Run, WithoutRoute } from "../payload";
import { Loose } from "./details";
import { type Line, nearest, pointAt } from "./line";
import type { Painter, Spot2 } from "./paint";
import { LEAST_PIXELS, tubeGeometry } from "./runs";
import type { Scene } from "./scene";
import { tubeMaterial } from "./shaders";
import { fitted } from "./sight";
import { tubes } from "./tubes";

const COLOURS = { light: "#5a3fb0", dark: "#b9a2ff" };
const OPACITY = 0.72;
const OTHER_OPACITY = 0.3;
const BEHIND_OPACITY = 0.28;
const DASHES = 2.5;
const OFF_M = 0.001;
const STEP_M = 0.1;
const STEPS_MOST = 400;
const NO_DIAMETER_M = 0.005; // half of it, where a cable's is not known
const SEEN_FROM: Point = [-0.4, -0.75, 0.9];
const CLOSE_M = 1.2;

/** What there is to see of proposals. */
export interface Shown {
  options: Option[];
  chosen: number;
  /** The run as it is, where there is one. */
  today: Run | null;
  /** Words at the chosen one. */
  words: string;
  /** Places of what is in the way, where nothing was found. */
  blocked: Point[];
}

export const NOTHING_SHOWN: Shown = { options: [], chosen: 0, today: null, words: "", blocked: [] };

/** The stretches of a line that lie off another one by more than `off_m`; all of it where it lies off nowhere. */
export function off(whole: Line, other: Line, off_m: number): Line[] {
  if (other.points.length < 2) return [whole];
  const line = stepped(whole);
  const away = line.points.map((point) => nearest(other, point).distance > off_m);
  const parts: Line[] = [];
  for (let k = 0; k + 1 < line.points.length; k += 1) {
    if (!away[k] && !away[k + 1]) continue;
    const last = parts[parts.length - 1];
    if (last !== undefined && last.at[last.at.length - 1] === line.at[k]) {
      last.points.push(line.points[k + 1]);
      last.at.push(line.at[k + 1]);
    } else parts.push({ points: [line.points[k], line.points[k + 1]], at: [line.at[k], line.at[k + 1]] });
  }
  return parts.length === 0 ? [whole] : parts;
}

/** A line with points at least every STEP_M: a long leg may leave another line at its end only. */
function stepped(line: Line): Line {
  const made: Line = { points: [], at: [] };
  line.points.forEach((point, k) => {
    if (k > 0) {
      const [a, b] = [line.at[k - 1], line.at[k]];
      const count = Math.min(Math.ceil((b - a) / STEP_M), STEPS_MOST);
      for (let j = 1; j < count; j += 1) {
        const at = a + ((b - a) * j) / count;
        made.points.push(pointAt(line, at));
        made.at.push(at);
      }
    }
    made.points.push(point);
    made.at.push(line.at[k]);
  });
  return made;
}

/** What has to be seen to see a change: where lines differ from the run as it is, on both of them; else all of them. */
export function apart(today: Run | null, options: Option[]): Point[] {
  const lines = options.map(({ run }): Line => ({ points: run.line_m, at: run.line_at_m }));
  if (today === null) return lines.flatMap(({ points }) => points);
  const now = { points: today.line_m, at: today.line_at_m };
  return lines.flatMap((line) => [...off(line, now, OFF_M), ...off(now, line, OFF_M)]).flatMap(({ points }) => points);
}

export class Ghost {
  private readonly loose = new Loose();
  private shown: Shown = NOTHING_SHOWN;
  private ends: WithoutRoute[] = [];
  private chosenEnds: string | null = null;

  constructor(private readonly scene: Scene) {
    scene.stage.space.add(this.loose);
    scene.overlays.push((paint) => this.paint(paint));
  }

  show(shown: Shown): void {
    this.shown = shown;
    this.draw();
  }

  /** Runs that have no route, and the one of them that is chosen. */
  showEnds(ends: WithoutRoute[], chosen: string | null): void {
    this.ends = ends;
    this.chosenEnds = chosen;
    this.scene.redraw();
  }

  /** Draw anew, in the colours of the theme. */
  draw(): void {
    const { scene, shown } = this;
    this.loose.clear();
    shown.options.forEach((option, k) => {
      const mine = k === shown.chosen;
      if (!mine) this.tube(option.run, OTHER_OPACITY, false);
    });
    const option = shown.options[shown.chosen];
    if (option !== undefined) {
      this.tube(option.run, OPACITY, false);
      this.tube(option.run, BEHIND_OPACITY, true);
    }
    scene.redraw(true);
  }

  private tube(run: Run, opacity: number, behind: boolean): void {
    const { scene } = this;
    if (run.line_m.length < 2) return;
    // distances made longer: shorter dashes than those of runs that are there
    const line = { points: run.line_m, at: run.line_at_m.map((at) => at * DASHES) };
    const radius_m = run.radius_m ?? NO_DIAMETER_M;
    const { today } = this.shown;
    const parts = today === null ? [line] : off(line, { points: today.line_m, at: today.line_at_m }, OFF_M);
    const geometry = tubeGeometry(tubes(parts.map((part) => ({ line: part, radius_m, owner: 0 })), 10));
    const look = { colour: COLOURS[scene.stage.theme], opacity, pattern: 2, leastPixels: LEAST_PIXELS + 1, girth: 1.12, behind };
    const mesh = new Mesh(geometry, tubeMaterial(look, scene.cutter.planes));
    mesh.renderOrder = 3;
    this.loose.put(mesh);
  }

  /** Go to where all of these points are seen. */
  flyTo(points: Point[]): void {
    if (points.length === 0) return;
    const { stage } = this.scene;
    this.scene.layer?.setFaded([]);
    stage.fly(fitted(points, SEEN_FROM, stage.width / stage.height, stage.sight.projection, 1.3, CLOSE_M));
  }

  private paint(paint: Painter): void {
    const { scene, shown } = this;
    const colour = COLOURS[scene.stage.theme];
    const spot = (point: Point): Spot2 => scene.view.project(point).slice(0, 2) as Spot2;
    const inFront = (point: Point): boolean => scene.view.project(point)[2] > 0;
    for (const run of this.ends) {
      if (!inFront(run.from_m) || !inFront(run.to_m)) continue;
      const chosen = run.id === this.chosenEnds;
      const seen = [spot(run.from_m), spot(run.to_m)];
      paint.line(seen, chosen ? colour : paint.tones.grey, chosen ? 2 : 1.2, [2, 6]);
      for (const [x, y] of seen) paint.disk(x, y, chosen ? 6 : 4, paint.tones.paper, chosen ? colour : paint.tones.grey, 2);
      if (chosen && shown.options.length === 0) paint.labelBeside(`${run.id}: no route yet`, seen, colour);
    }
    for (const place of shown.blocked) {
      if (!inFront(place)) continue;
      const [x, y] = spot(place);
      paint.haloed([[x - 6, y - 6], [x + 6, y + 6]], colour, 2.5);
      paint.haloed([[x - 6, y + 6], [x + 6, y - 6]], colour, 2.5);
    }
    const option = shown.options[shown.chosen];
    if (option === undefined) return;
    for (const corner of option.run.corners_m) {
      if (!inFront(corner)) continue;
      const [x, y] = spot(corner);
      paint.square(x, y, 3.5, paint.tones.paper, colour);
    }
    const line = { points: option.run.line_m, at: option.run.line_at_m };
    for (const at of option.run.straps_at_m) {
      const place = pointAt(line, at);
      if (inFront(place)) paint.diamond(...spot(place), 4.5, colour, paint.tones.paper);
    }
    const { today } = shown;
    const [apart] = today === null ? [line] : off(line, { points: today.line_m, at: today.line_at_m }, OFF_M);
    if (shown.words !== "") paint.labelBeside(shown.words, apart.points.filter(inFront).map(spot), colour);
  }
}
