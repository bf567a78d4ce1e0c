/** The 3D half of the page: one object that the rest of the page tells what to show, and that tells what was done. */

import type { Camera, Edit, Finding, Point, Review, Run } from "../payload";
import type { Building } from "../source";
import { Lengths } from "../units";
import { AddTool, type NewRun } from "./adding";
import { BuildingLayer, type RoleState } from "./building";
import { boxView } from "./closeup";
import { Controls } from "./controls";
import { EditTool } from "./editing";
import type { RoleRow, SceneEvents, Selection } from "./events";
import type { Chosen, Gesture, Ground, Pick, Pointer, Tool } from "./ground";
import { Markers } from "./marks";
import { MeasureTool } from "./measuring";
import { findBehind, pickAt } from "./looking";
import type { Painter } from "./paint";
import type { Theme } from "./palette";
import { roleRows } from "./roles";
import { RunsLayer } from "./runs";
import { drawScale, scaleBox } from "./scale";
import { type Section, SectionTool, type Slice } from "./section";
import { axesOf, fitted, fromCamera, type Projection, type Projector, toCamera, turnedTo, type View } from "./sight";
import { type Lit, Spotlight } from "./spotlight";
import { Stage } from "./stage";
import { StrapTool } from "./strapping";
import { runBounds, Surroundings, wholeBounds } from "./surroundings";

export type { RoleState } from "./building";
export type { RoleRow, SceneEvents, Selection } from "./events";
export type { Chosen, Gesture, Pick } from "./ground";
export type { Measured } from "./measuring";
export type { Section, Slice } from "./section";
export type { Projection, View } from "./sight";

const HOVER_MS = 90;

export class Scene implements Ground, Lit {
  readonly stage: Stage;
  private readonly on: Partial<SceneEvents>;
  private review: Review;
  layer: BuildingLayer | null = null;
  readonly runs: RunsLayer;
  readonly markers = new Markers();
  /** Painted over the picture besides what the scene itself knows. */
  readonly overlays: ((paint: Painter) => void)[] = [];
  private readonly surroundings = new Surroundings();
  private readonly spotlight = new Spotlight(this);
  readonly measure: MeasureTool;
  private readonly editor: EditTool;
  private readonly adder: AddTool;
  private readonly straps: StrapTool;
  readonly cutter: SectionTool;
  private hoverTimer = 0;
  lengths: Lengths;

  constructor(host: HTMLElement, review: Review, on: Partial<SceneEvents>) {
    this.on = on;
    this.review = review;
    this.lengths = new Lengths(review.units.length);
    this.stage = new Stage(host, {
      marks: (paint) => this.paintMarks(paint),
      pace: (pace) => {
        this.layer?.lookFrom(pace === "rest" ? this.view : null);
        this.layer?.setMoving(pace === "reduced");
        this.runs?.setMoving(pace === "reduced");
        this.markers.hasty = pace === "reduced";
      },
      rested: () => this.rested(),
      trouble: (sentence) => on.trouble?.(sentence),
      mended: () => on.mended?.(),
    });
    this.cutter = new SectionTool(this, () => this.stage.bounds, (what) => this.tellCut(what), this.tones.ink);
    this.runs = new RunsLayer(review.runs, this.tones.mark, this.cutter.planes);
    this.measure = new MeasureTool(this, (measured) => on.measured?.(measured));
    this.editor = new EditTool(this, (refs) => on.chosen?.(refs));
    this.straps = new StrapTool(this);
    this.adder = new AddTool(this, (made) => on.added?.(made));
    const { zones, unread } = this.surroundings;
    this.stage.space.add(this.runs.group, this.spotlight.details, zones, unread, this.cutter.lines);
    this.tools = [this.cutter, this.adder, this.straps, this.editor, this.measure];
    new Controls(this.stage, this.tools, {
      anchor: (x, y) => this.pickSolid(x, y)?.point_m ?? null,
      click: (at, double) => on.picked?.(this.pick(at.x, at.y), { additive: at.shift || at.control, double }),
      hover: (at) => this.hover(at),
      fit: () => this.fit(),
      toggleProjection: () => this.setProjection(this.stage.sight.projection === "perspective" ? "orthographic" : "perspective"),
    });
    this.take(review);
    this.stage.look(this.whole("iso"));
  }

  private readonly tools: Tool[];

  // --- Ground: what the tools see ------------------------------------------------------------------------------------

  get view(): Projector {
    return this.stage.view;
  }

  get tones(): Stage["tones"] {
    return this.stage.tones;
  }

  edited(edit: Edit, gesture: Gesture): void {
    this.on.edited?.(edit, gesture);
  }

  says(sentence: string): void {
    this.on.says?.(sentence);
  }

  redraw(scene = false): void {
    if (scene) this.stage.moved();
    else this.stage.redraw();
  }

  pickSolid(x: number, y: number): Pick | null {
    return pickAt(this.view, this.layer, this.runs, this.cutter, x, y);
  }

  private pick(x: number, y: number): Pick | null {
    const ids = this.markers.at(x, y);
    const finding = this.markers.findings.get(ids[0] ?? "");
    if (finding === undefined || finding.point_m === null) return this.pickSolid(x, y);
    return {
      kind: "finding", element: null, run: finding.run, finding: finding.id, findings: ids, at_m: finding.at_m?.[0] ?? null,
      point_m: finding.point_m, normal: null, role: null, corners: [],
    };
  }

  private hover(at: Pointer | null): void {
    clearTimeout(this.hoverTimer);
    let cursor = "";
    if (at !== null) {
      for (const tool of this.tools) {
        const wants = tool.hover?.(at) ?? null;
        if (wants !== null) {
          cursor = wants;
          break;
        }
      }
    }
    const marker = at === null ? undefined : this.markers.at(at.x, at.y)[0];
    if ((marker ?? null) !== this.markers.hovered) {
      this.markers.hovered = marker ?? null;
      this.stage.redraw();
    }
    this.stage.canvas.style.cursor = cursor || (marker === undefined ? "" : "pointer");
    this.hoverTimer = window.setTimeout(() => this.on.hovered?.(at === null ? null : this.pick(at.x, at.y)), HOVER_MS);
  }

  // --- what there is --------------------------------------------------------------------------------------------------

  private take(review: Review): void {
    this.review = review;
    this.cutter.origin = review.origin_m;
    this.markers.replace(review.findings);
    this.markers.shapes = review.checks;
    this.drawSurroundings();
    this.stage.bounds = wholeBounds(review, this.runs, this.layer);
  }

  private drawSurroundings(): void {
    this.surroundings.draw(this.review, this.tones, this.cutter.planes);
  }

  setBuilding(building: Building): void {
    const first = this.layer === null && this.runs.runs.size === 0;
    this.layer?.dispose();
    const colours = Object.fromEntries(Object.entries(this.review.roles).map(([role, about]) => [role, about.colour]));
    this.layer = new BuildingLayer(building, colours, this.runs.top_m === -Infinity ? Infinity : this.runs.top_m, this.cutter.planes, {
      changed: () => this.stage.redraw(true),
      ready: (what) => {
        if (what === "picking") this.rested();
        this.on.ready?.(what);
      },
    });
    for (const [role, about] of Object.entries(this.review.roles)) if (!about.shown) this.layer.setRole(role, "hidden");
    if (this.stage.theme === "dark") this.layer.setTheme("dark");
    this.stage.space.add(this.layer.group);
    this.spotlight.mark();
    this.stage.bounds = wholeBounds(this.review, this.runs, this.layer);
    if (first) this.stage.look(this.whole("iso"));
    this.stage.redraw(true);
    this.stage.draw();
    // the tree waits until the first picture is out
    requestAnimationFrame(() => setTimeout(() => this.layer?.prepare(), 0));
    this.on.ready?.("building");
  }

  setReview(review: Review): void {
    this.runs.replace(review.runs);
    this.take(review);
    const held = this.spotlight.selection;
    this.select({
      finding: this.markers.findings.has(held.finding ?? "") ? held.finding : null,
      run: this.runs.runs.has(held.run ?? "") ? held.run : null,
      element: held.element,
    });
    this.editor.refreshed(review.runs, []);
    this.straps.refreshed(review.runs, []);
  }

  updateRuns(runs: Run[], gone: string[]): void {
    this.runs.update(runs, gone);
    this.editor.refreshed(runs, gone);
    this.straps.refreshed(runs, gone);
    if (this.spotlight.concerns(new Set([...runs.map((run) => run.id), ...gone]))) this.spotlight.draw();
    // while one drags, answers come one after another: quickly first, well when it rests
    this.stage.moved();
  }

  updateFindings(findings: Finding[]): void {
    this.review = { ...this.review, findings };
    this.markers.replace(findings);
    if (this.spotlight.selection.finding !== null) this.spotlight.draw();
    this.stage.redraw(true);
  }

  select(selection: Selection, how: { fly?: boolean } = {}): void {
    this.spotlight.select(selection, how.fly ?? false);
    this.stage.redraw(true);
  }

  setVisibleFindings(ids: ReadonlySet<string> | null): void {
    this.markers.visible = ids;
    this.stage.redraw();
  }

  /** Which spans are coloured on the selected run: those of a check, or none; undefined: what fits the selection. */
  setSpans(check: string | null | undefined): void {
    this.spotlight.spans = check;
    this.spotlight.draw();
    this.stage.redraw(true);
  }

  // --- how it is seen -----------------------------------------------------------------------------------------------

  private whole(view: View): ReturnType<typeof fitted> {
    const { low, high } = runBounds(this.runs) ?? this.stage.bounds;
    const { subject } = boxView(low, high);
    const { toward } = axesOf(turnedTo(this.stage.sight, view));
    const sight = fitted(subject, toward, this.stage.width / this.stage.height, this.stage.sight.projection, 1.06);
    // straight down, the direction alone does not say what is up
    return turnedTo(sight, view);
  }

  fit(): void {
    const { low, high } = runBounds(this.runs) ?? this.stage.bounds;
    const { subject } = boxView(low, high);
    const { toward } = this.view.axes;
    const sight = fitted(subject, toward, this.stage.width / this.stage.height, this.stage.sight.projection, 1.06);
    this.layer?.setFaded([]);
    this.stage.fly({ ...sight, azimuth: this.stage.sight.azimuth, elevation: this.stage.sight.elevation });
  }

  setView(view: View): void {
    this.layer?.setFaded([]);
    this.stage.fly(this.whole(view));
  }

  setProjection(projection: Projection): void {
    this.stage.project(projection);
  }

  camera(): Camera {
    return toCamera(this.stage.sight);
  }

  setCamera(camera: Camera, how: { fly?: boolean } = {}): void {
    const sight = fromCamera(camera);
    if (sight === null) return;
    if (how.fly) this.stage.fly(sight);
    else this.stage.look(sight);
  }

  /** What can be shown, ghosted or hidden: roles of the building, and runs, zones, markers and the like. */
  roles(): RoleRow[] {
    return roleRows(this.layer, this.review, this.runs, this.markers, this.surroundings);
  }

  setRole(role: string, state: RoleState): void {
    const shown = state !== "hidden";
    if (role === "runs") this.runs.group.visible = this.spotlight.details.visible = shown;
    else if (role === "markers") this.markers.shown = shown;
    else if (role === "unread") this.surroundings.unread.visible = shown;
    else if (role === "zones") {
      this.surroundings.state = state;
      this.drawSurroundings();
    } else if (this.layer !== null && role === "edges") {
      this.layer.edgesShown = shown;
      this.layer.refresh();
    } else this.layer?.setRole(role, state);
    this.stage.moved();
  }

  /** The plane that cuts, where there is one. */
  section(): Section | null {
    return this.cutter.section;
  }

  setSection(section: Section | null): void {
    this.cutter.setSection(section);
  }

  setSlice(slice: Slice | null): void {
    this.cutter.setSlice(slice);
  }

  slice(): Slice | null {
    return this.cutter.slice;
  }

  private tellCut(what: "section" | "slice"): void {
    if (what === "section") this.on.section?.(this.cutter.section);
    else this.on.slice?.(this.cutter.slice);
  }

  /** Low and high corner of everything, for fields that ask for a place. */
  bounds(): { low: Point; high: Point } {
    return this.stage.bounds;
  }

  setTheme(theme: Theme): void {
    this.stage.setTheme(theme);
    this.layer?.setTheme(theme);
    this.cutter.setInk(this.tones.ink);
    this.runs.setInk(this.tones.mark);
    this.drawSurroundings();
    this.spotlight.draw();
  }

  setLengths(lengths: Lengths): void {
    this.lengths = lengths;
    this.spotlight.draw();
    this.stage.redraw();
  }

  // --- measuring and drawing ----------------------------------------------------------------------------------------

  setMeasuring(measuring: boolean): void {
    this.measure.start(measuring);
    this.says(measuring ? "Click the place to measure from." : "");
  }

  edit(runs: string[]): void {
    this.editor.edit(runs);
  }

  setSnap(snap: { axis: boolean; level: boolean }): void {
    this.editor.snap = { ...snap };
    this.adder.snap = { ...snap };
  }

  chosen(): Chosen[] {
    return this.editor.chosen;
  }

  choose(refs: Chosen[]): void {
    this.editor.choose(refs);
  }

  moveCorner(run: string, corner: number, point: Point): void {
    this.editor.moveCorner(run, corner, point);
  }

  insertCorner(run: string, leg: number, point?: Point): void {
    this.editor.insertCorner(run, leg, point);
  }

  deleteChosen(): void {
    if (!this.straps.deleteChosen()) this.editor.deleteChosen();
  }

  showDrawn(run: string, corners: Point[]): void {
    this.editor.showDrawn(run, corners);
  }

  showMarks(run: string, straps_at_m: number[], supports_at_m: number[]): void {
    this.straps.show(run, straps_at_m, supports_at_m);
  }

  setStrapping(run: string | null): void {
    this.straps.start(run);
  }

  add(run: { run: string; cable: string } | null): void {
    const diameter = this.review.cables[run?.cable ?? ""]?.overall_diameter_m ?? null;
    const made: NewRun | null = run === null ? null : { ...run, radius_m: diameter === null ? 0.005 : diameter / 2 };
    this.adder.start(made);
  }

  // --- the marks ------------------------------------------------------------------------------------------------------

  private paintMarks(paint: Painter): void {
    // the stage paints once before everything else of the scene is there
    if (this.tools === undefined) return;
    this.markers.arrange(this.view, (point) => this.cutter.keeps(point, 1e-3));
    paint.taken = [scaleBox(paint), ...(this.on.covered?.() ?? [])];
    paint.avoid = this.markers.boxes();
    // words of what is selected first: all else gives way to them
    const labels = this.spotlight.place(paint);
    this.surroundings.paintNames(paint, this.review, this.view, this.cutter, this.stage.theme);
    this.markers.draw(paint, labels);
    this.spotlight.paint(paint);
    this.markers.drawSelected(paint);
    for (const draw of this.overlays) draw(paint);
    for (const tool of this.tools) tool.draw(paint);
    drawScale(paint, this.view, this.lengths);
  }

  /** The view came to rest: what is behind something, the outlines of cuts, and where one looks from. */
  private rested(): void {
    this.runs.lookAt(this.view);
    if (this.layer?.tree) {
      this.cutter.outline(this.layer);
      this.markers.behind = findBehind(this.view, this.layer, this.runs, this.cutter, this.markers);
    }
    this.stage.redraw(true);
    this.on.camera?.(this.camera());
  }

  // --- the rest -------------------------------------------------------------------------------------------------------

  picture(): string {
    return this.stage.picture();
  }

  isSoftware(): boolean {
    return this.stage.software;
  }

  stats(): { frames: number; last_ms: number; triangles: number } {
    return { frames: this.stage.frames, last_ms: this.stage.lastMs, triangles: this.layer?.triangles ?? 0 };
  }

  resize(): void {
    this.stage.resize();
  }

  /** Give the picture the keys. */
  focus(): void {
    this.stage.canvas.focus({ preventScroll: true });
  }

  dispose(): void {
    clearTimeout(this.hoverTimer);
    this.layer?.dispose();
    this.runs.dispose();
    for (const loose of [this.surroundings.zones, this.surroundings.unread, this.spotlight.details]) loose.clear();
    this.stage.dispose();
  }
}
