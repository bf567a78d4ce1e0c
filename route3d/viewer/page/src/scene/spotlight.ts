/** What is selected: marked, outlined, seen closely, and with nothing in the way. */

import type { Finding, Point } from "../payload";
import type { Lengths } from "../units";
import type { BuildingLayer } from "./building";
import { boxView, type CloseUp, closeUp, type Dimension } from "./closeup";
import { drawRequired, drawSelectedRun, Loose } from "./details";
import type { Selection } from "./events";
import { add, scaled } from "./line";
import type { Markers } from "./marks";
import { boxAbout, boxesAlong } from "./labels";
import type { Box2, Painter, Spot2 } from "./paint";
import { between } from "./picking";
import type { RunsLayer } from "./runs";
import type { SectionTool } from "./section";
import { axesOf, eyeOf, fitted, type Sight } from "./sight";
import type { Stage } from "./stage";

const FADE_RING = 0.045; // of the picture's height: what only just passes beside the sight is in the way too
const PROBES = 7; // places of the subject that must not be hidden
const FAR_M = 500; // how far away the viewer is without perspective

export interface Lit {
  readonly stage: Stage;
  readonly runs: RunsLayer;
  readonly markers: Markers;
  readonly cutter: SectionTool;
  readonly lengths: Lengths;
  readonly layer: BuildingLayer | null;
}

export class Spotlight {
  selection: Selection = { finding: null, run: null, element: null };
  /** Which spans are coloured on the selected run; undefined: those that fit the selection. */
  spans: string | null | undefined = undefined;
  readonly details = new Loose();
  private close: CloseUp | null = null;
  private lines: { one: Dimension; seen: Spot2[] }[] = [];
  private written: { words: string; at: Spot2; colour: string }[] = [];

  constructor(private readonly scene: Lit) {}

  get finding(): Finding | null {
    return this.scene.markers.findings.get(this.selection.finding ?? "") ?? null;
  }

  private get runId(): string | null {
    return this.selection.run ?? this.finding?.run ?? null;
  }

  /** Whether a change of one of these runs changes what is lit. */
  concerns(runs: ReadonlySet<string>): boolean {
    return runs.has(this.runId ?? "");
  }

  select(selection: Selection, fly: boolean): void {
    this.selection = { ...selection };
    this.scene.markers.selected = selection.finding;
    this.mark();
    if (!fly) this.scene.layer?.setFaded([]);
    this.draw();
    if (fly) this.fly();
  }

  /** Mark the element that is selected, or that the finding is about. */
  mark(): void {
    const { finding } = this;
    const { layer } = this.scene;
    const inside = finding !== null && finding.measured !== null && finding.measured < 0;
    layer?.setMarked(layer.building.indexOf(this.selection.element ?? finding?.other ?? null), inside);
  }

  draw(): void {
    const { finding, scene, runId } = this;
    this.details.clear();
    const one = scene.runs.runs.get(runId ?? "");
    this.close = finding === null ? null : closeUp(finding, one?.run ?? null, one?.line ?? null, scene.lengths);
    if (one !== undefined) drawSelectedRun(this.details, scene.runs, one.run.id, this.spansOf(one.run.spans), scene.stage.tones.focus, scene.cutter.planes);
    if (this.close?.required) drawRequired(this.details, this.close.required, scene.cutter.planes);
    const meant = [runId, finding?.other ?? null].filter((id) => id !== null && scene.runs.runs.has(id)) as string[];
    scene.runs.setPale(meant.length > 0 ? new Set(meant) : null);
  }

  private spansOf(spans: { check: string }[]): string | null {
    const { finding } = this;
    // about a bend or a gap, spans would only hide what it is about
    if (finding !== null && finding.check !== "securing" && finding.check !== "supporting") return null;
    if (this.spans !== undefined) return this.spans;
    const checks = spans.map((span) => span.check);
    if (finding !== null && checks.includes(finding.check)) return finding.check;
    return checks.includes("securing") ? "securing" : checks[0] ?? null;
  }

  private fly(): void {
    const { stage, layer, runs } = this.scene;
    const aspect = stage.width / stage.height;
    const { projection } = stage.sight;
    if (this.close !== null) {
      const sight = fitted(this.close.subject, this.close.toward, aspect, projection, 1.5);
      stage.fly(sight);
      this.fade(this.close, sight);
      return;
    }
    layer?.setFaded([]);
    const one = runs.runs.get(this.selection.run ?? "");
    if (one !== undefined && one.line.points.length > 0) {
      // a run is seen from above, along its flatter side
      stage.fly(fitted(one.line.points, [-0.4, -0.75, 0.9], aspect, projection, 1.25, 0.6));
      return;
    }
    const index = layer?.building.indexOf(this.selection.element) ?? -1;
    if (layer === null || index < 0) return;
    const place = layer.placeOf[index] * 6;
    const box = [...layer.boxes.subarray(place, place + 6)];
    const { subject, toward } = boxView(box.slice(0, 3) as Point, box.slice(3) as Point);
    stage.fly(fitted(subject, toward, aspect, projection, 1.4, 0.4));
  }

  /** Make what stands between the viewer and the subject see-through, except what the finding is about. */
  private fade(close: CloseUp, sight: Sight): void {
    const { layer } = this.scene;
    if (layer === null) return;
    const found = new Set<number>();
    const { toward, right, up } = axesOf(sight);
    const eye = eyeOf(sight);
    const ring = FADE_RING * sight.height;
    const every = Math.max(1, Math.floor(close.subject.length / PROBES));
    const probes = [this.finding?.point_m ?? null, ...close.subject.filter((_, k) => k % every === 0)];
    for (const probe of probes) {
      if (probe === null) continue;
      for (const [a, b] of [[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]]) {
        const beside = add(probe, add(scaled(right, a * ring), scaled(up, b * ring)));
        // a hair off the place itself, so that what it touches from behind stays
        const start = add(beside, scaled(toward, 2e-3));
        between(layer, start, sight.projection === "perspective" ? eye : add(beside, scaled(toward, FAR_M)), found);
      }
    }
    found.delete(layer.building.indexOf(this.finding?.other ?? null));
    layer.setFaded(found);
  }

  /** Find places for the lengths of a close-up; returns what their words will cover. */
  place(paint: Painter): Box2[] {
    const { view } = this.scene.stage;
    this.written = [];
    this.lines = (this.close?.dimensions ?? []).map((one) => {
      const seen = one.line.map((point) => view.project(point).slice(0, 2) as Spot2);
      return { one, seen: one.aside ? paint.moved(seen, one.aside) : seen };
    });
    for (const { seen } of this.lines) paint.avoid.push(...boxesAlong(seen));
    const place = this.finding?.point_m ?? null;
    if (place !== null) paint.taken.push(boxAbout(view.project(place).slice(0, 2) as Spot2, [7, 7]));
    for (const { one, seen } of this.lines) {
      const at = one.words ? paint.placeBeside(one.words, seen) : null;
      if (at === null) continue;
      this.written.push({ words: one.words, at, colour: one.colour });
      paint.taken.push(boxAbout(at, paint.halfOf(one.words)));
    }
    return this.written.map(({ words, at }) => boxAbout(at, paint.halfOf(words)));
  }

  /** The lengths of a close-up, over the picture, where `place` found room. */
  paint(paint: Painter): void {
    for (const { one, seen } of this.lines) {
      if (one.aside) paint.witness(one.line.map((point) => this.scene.stage.view.project(point).slice(0, 2) as Spot2), one.aside, one.colour);
      paint.haloed(seen, one.colour, 2.2, one.dashed ? [7, 5] : []);
      if (one.ticks) paint.ticks(seen, one.colour);
    }
    for (const { words, at, colour } of this.written) paint.label(words, at[0], at[1], colour);
  }
}
