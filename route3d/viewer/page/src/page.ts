/** Joins the parts: the store in the middle, panels and picture around it. */

import { LiveLink } from "./talk";
import { Places } from "./places";
import type { Pick } from "./scene/ground";
import { Ghost, apart } from "./scene/ghost";
import { Scene } from "./scene/scene";
import { Edits } from "./edits";
import { Proposals, betweenEnds, optionOf } from "./proposals";
import { byId } from "./dom";
import { passing } from "./filter";
import { banners } from "./panels/banners";
import { bar } from "./panels/bar";
import { buildingPanel } from "./panels/building";
import { editPanel } from "./panels/edit";
import { filterBar } from "./panels/filters";
import { edge, tabs } from "./panels/frame";
import { help } from "./panels/help";
import { overviewPanel } from "./panels/overview";
import { keyBox, pictureTools } from "./panels/picture";
import { printing } from "./panels/print";
import { proposalPanel } from "./panels/proposals";
import { runPanel } from "./panels/run";
import { FindingsTable } from "./panels/table";
import { unreadLine } from "./panels/unread";
import { keys } from "./keys";
import type { Edit, Review, Thing } from "./payload";
import type { Source } from "./source";
import { type Look, type State, Store, firstState, runOf, withoutRoute } from "./store";
import { Lengths } from "./units";

export interface Themes {
  theme(): "light" | "dark";
  turn(): "light" | "dark";
}

export class Page {
  readonly store: Store;
  readonly scene: Scene;
  readonly edits: Edits;
  readonly proposals: Proposals;
  private readonly ghost: Ghost;
  private readonly lengths: Lengths;
  private readonly places: Places;
  private readonly link: LiveLink | null;
  private readonly table: FindingsTable;

  constructor(
    private readonly source: Source,
    review: Review,
    private readonly themes: Themes,
  ) {
    const store = new Store(firstState(review, [], source.live));
    this.store = store;
    this.lengths = new Lengths(review.units.length);
    this.edits = new Edits(store, {
      changed: () => this.link?.draft(),
      draw: (edit) => this.draw(edit),
    });
    this.scene = this.makeScene(review);
    this.edits.seed(review.drafts ?? []);
    this.ghost = new Ghost(this.scene);
    this.proposals = new Proposals(store, this.edits, this.lengths, {
      ask: (order) => this.link?.aside(order) ?? null,
      found: ({ run, answer }) => this.ghost.flyTo(apart(runOf(store.get(), run), answer?.options ?? [])),
      adjust: (run) => {
        store.update({ tab: "edit" });
        store.editing({ run, corner: null, what: "corners", adding: false });
      },
    });
    this.link = source.live ? new LiveLink(store, this.edits, this.scene, () => this.reload(), () => source.book()) : null;
    if (this.link !== null) this.link.first = (message) => this.proposals.hear(message);
    document.title = `${review.project} – route review`;
    byId("caution").textContent = review.caution;
    this.table = this.makePanels();
    store.subscribe((now, before) => this.follow(now, before));
    this.places = new Places(store, this.scene);
    this.places.onMoved((camera) => this.link?.moved(camera));
    keys(store, {
      step: (by) => this.table.step(by), undo: () => this.undo(), redo: () => this.redo(), save: () => this.save(),
      help: this.openHelp, edit: () => this.editChosen(), decide: () => this.decideChosen(),
      propose: () => this.proposals.ask(),
    });
    byId("status").textContent = "Loading the building …";
  }

  private readonly openHelp = (): void => this.helpDialog.open();
  private readonly helpDialog = help();

  /** Load the building, go to the place in the address, open the line to the server. */
  async load(): Promise<void> {
    this.places.restore();
    const building = await this.source.building();
    this.store.update({ elements: building.elements });
    this.scene.setBuilding(building);
    this.ghost.showEnds(withoutRoute(this.store.get()), this.store.get().selection.run);
    this.rolesFrom();
    byId("status").textContent = "";
    this.link?.connect();
  }

  setTheme(theme: "light" | "dark"): void {
    this.scene.setTheme(theme);
    this.ghost.draw();
  }

  private makeScene(review: Review): Scene {
    const { store } = this;
    const scene = new Scene(byId("picture"), review, {
      picked: (pick, how) => this.picked(pick, how.double),
      edited: (edit, gesture) => this.edited(edit, gesture),
      added: (made) => {
        if (!made) store.editing({ adding: false });
      },
      chosen: (refs) => {
        const mine = refs.filter((ref) => ref.run === store.get().editing.run);
        store.editing({ corner: mine.length === 1 ? mine[0].corner : null });
      },
      measured: (measured) => {
        store.update({ measured });
        this.link?.distance(measured && thing(measured.from), measured && thing(measured.to));
      },
      camera: () => this.places.moved(),
      section: (section) => store.look({ section }),
      slice: (slice) => store.look({ slice }),
      trouble: (sentence) => noPicture(sentence),
      mended: () => noPicture(""),
      covered,
      says: (sentence) => {
        byId("status").textContent = sentence;
      },
    });
    scene.setLengths(this.lengths);
    scene.setTheme(this.themes.theme());
    return scene;
  }

  private makePanels(): FindingsTable {
    const { store, scene, lengths, edits } = this;
    tabs(store);
    edge("edge-side", "--side", "x", 280, () => Math.max(window.innerWidth - 420, 280), () => scene.resize());
    edge("edge-low", "--low", "y", 110, () => Math.max(window.innerHeight - 330, 110), () => scene.resize());
    bar(byId("bar"), store, {
      undo: () => this.undo(), redo: () => this.redo(), save: () => this.save(), help: this.openHelp,
      theme: () => this.setTheme(this.themes.turn()),
    });
    banners(byId("banners"), store, {
      take: () => this.link?.take(), drop: () => this.link?.drop(), reconnect: () => this.link?.connect(),
      readAnew: () => this.link?.readAnew(),
    });
    pictureTools(byId("picture-tools"), store, { view: (view) => scene.setView(view), fit: () => scene.fit() });
    keyBox(byId("picture-key"), store);
    filterBar(byId("filters"), store);
    runPanel(byId("panel-run"), store, lengths, { decide: (order) => this.link?.decide(order) });
    overviewPanel(byId("panel-overview"), store);
    buildingPanel(byId("panel-building"), store, lengths);
    const add = (made: { run: string; cable: string } | null): void => {
      store.editing({ adding: made !== null, run: null, also: [], corner: null });
      scene.add(made);
      if (made !== null) byId("picture").querySelector("canvas")?.focus();
    };
    proposalPanel(byId("proposal"), store, lengths, this.proposals, { goTo: (point) => this.ghost.flyTo([point]), byHand: add });
    editPanel(byId("panel-edit"), store, edits, lengths, {
      choose: (corner) => {
        const { run } = store.get().editing;
        store.editing({ corner });
        if (run !== null) scene.choose(corner === null ? [] : [{ run, corner }]);
      },
      add,
      save: () => this.save(), dropAll: () => this.link?.dropAll(),
    });
    unreadLine(byId("unread"), store);
    printing(byId("print-part"), store, scene, lengths);
    return new FindingsTable(byId("findings"), store, lengths);
  }

  // --- what the picture reports ---------------------------------------------------------------------------------------

  private picked(pick: Pick | null, double: boolean): void {
    const { store } = this;
    if (pick === null) return;
    if (pick.finding !== null) {
      const cluster = pick.findings ?? [pick.finding];
      const at = cluster.indexOf(store.get().selection.finding ?? "");
      store.select({ finding: cluster[(at + 1) % cluster.length] }, double ? "panel" : "picture");
    } else if (pick.run !== null || pick.element !== null) {
      store.select({ run: pick.run, element: pick.run === null ? pick.element : null }, double ? "panel" : "picture");
    }
  }

  private edited(made: Edit, gesture: { id: string; phase: "moving" | "done"; label: string }): void {
    const ends = made.added === true ? withoutRoute(this.store.get()).find(({ id }) => id === made.run) : undefined;
    const edit = ends === undefined ? made : betweenEnds(made, ends);
    if (edit.added === true) {
      this.scene.add(null);
      this.store.editing({ adding: false, run: edit.run, corner: null });
    }
    this.edits.take(edit, gesture.id, gesture.label, false);
    if (edit.added === true) this.draw(edit);
  }

  // --- what the store tells the picture -------------------------------------------------------------------------------

  private follow(now: State, before: State): void {
    const { scene, store } = this;
    if (now.selection !== before.selection) {
      scene.select(now.selection, { fly: now.cause === "table" || now.cause === "panel" || now.cause === "link" });
      const said = now.selection.finding !== before.selection.finding || now.selection.run !== before.selection.run;
      const chosen = now.selection.finding !== null || now.selection.run !== null || now.selection.element !== null;
      if (said && chosen && now.tab !== "edit" && now.cause !== "check" && now.cause !== "link") store.update({ tab: "run" });
    }
    this.ghosts(now, before);
    if (now.filter !== before.filter || now.review.findings !== before.review.findings || now.review.decisions !== before.review.decisions) this.marks(now);
    if (now.review.runs !== before.review.runs) this.arrived(now, before);
    if (now.look !== before.look) this.look(now, before);
    if (now.editing !== before.editing) this.editing(now, before);
    if (now.notice !== before.notice && now.notice !== "") byId("status").textContent = now.notice;
  }

  /** What is not there yet: proposals, and ends without a route. */
  private ghosts(now: State, before: State): void {
    const { ghost } = this;
    if (now.proposing !== before.proposing) {
      const { proposing } = now;
      const seen = proposing !== null && proposing.stage !== "taken";
      const option = optionOf(proposing);
      // sleeves about the run as it is would hide where the proposal is the same
      if (seen !== (before.proposing !== null && before.proposing.stage !== "taken")) this.spans(now.look, seen);
      ghost.show({
        options: seen ? (proposing.answer?.options ?? []) : [],
        chosen: proposing?.chosen ?? 0,
        today: runOf(now, proposing?.run ?? null),
        words: option === null ? "" : `proposed: ${this.lengths.show(option.run.length_m)}`,
        blocked: seen ? (proposing.answer?.blocked ?? []).flatMap(({ point_m }) => (point_m === null ? [] : [point_m])) : [],
      });
    }
    if (now.review !== before.review || now.selection !== before.selection) {
      const ends = withoutRoute(now);
      ghost.showEnds(ends, now.selection.run);
      const chosen = ends.find(({ id }) => id === now.selection.run);
      if (chosen !== undefined && now.selection !== before.selection && now.cause !== "check" && now.cause !== "window") {
        ghost.flyTo([chosen.from_m, chosen.to_m]);
      }
    }
  }

  private spans(look: Look, none: boolean): void {
    this.scene.setSpans(none || look.spans === "none" ? null : look.spans === "fitting" ? undefined : look.spans);
  }

  private rolesFrom(): void {
    this.store.look({ roles: Object.fromEntries(this.scene.roles().map(({ role, state }) => [role, state])) });
  }

  private marks(now: State): void {
    const listed = passing(now.review, now.filter);
    const all = listed.length === now.review.findings.length;
    this.scene.setVisibleFindings(all ? null : new Set(listed.map((finding) => finding.id)));
  }

  /** A new run has been checked for the first time: now the picture has it, to go there and to hold its corners. */
  private arrived(now: State, before: State): void {
    const { run } = now.editing;
    const there = (state: State): boolean => state.review.runs.some((r) => r.id === run);
    if (run === null || there(before) || !there(now)) return;
    window.setTimeout(() => {
      this.editing(this.store.get(), { ...now, editing: { ...now.editing, run: null } });
      this.store.select({ run }, "panel");
    });
  }

  private look(now: State, before: State): void {
    const { scene } = this;
    const [a, b] = [now.look, before.look];
    for (const [role, shown] of Object.entries(a.roles)) if (b.roles[role] !== shown) scene.setRole(role, shown);
    if (a.projection !== b.projection) scene.setProjection(a.projection);
    if (a.measuring !== b.measuring) scene.setMeasuring(a.measuring);
    if (a.spans !== b.spans) this.spans(a, false);
    // what the picture told itself, by a handle that is being dragged, does not go back to it
    if (a.section !== b.section && a.section !== scene.section()) scene.setSection(a.section);
    if (a.slice !== b.slice && a.slice !== scene.slice()) scene.setSlice(a.slice);
    if (!a.measuring && b.measuring) this.store.update({ measured: null });
  }

  private editing(now: State, before: State): void {
    const { scene } = this;
    const [a, b] = [now.editing, before.editing];
    if (a.run !== b.run || a.also !== b.also || a.what !== b.what) {
      scene.edit(a.run !== null && a.what === "corners" ? [a.run, ...a.also] : []);
      scene.setStrapping(a.what === "straps" ? a.run : null);
    }
    if (a.axisSnap !== b.axisSnap || a.levelLock !== b.levelLock) scene.setSnap({ axis: a.axisSnap, level: a.levelLock });
  }

  /** Show a run as it is drawn now; the fitted tube follows with the answer of the server. */
  private draw(edit: Edit): void {
    if (edit.corners_m !== undefined) this.scene.showDrawn(edit.run, edit.corners_m);
    const now = this.edits.current(edit.run);
    if (now !== null && (edit.straps_at_m !== undefined || edit.supports_at_m !== undefined)) {
      this.scene.showMarks(edit.run, now.straps_at_m, now.supports_at_m);
    }
  }

  // --- commands -------------------------------------------------------------------------------------------------------

  private undo(): void {
    if (!this.store.get().line.editable) return;
    const notice = this.edits.undo();
    if (notice !== "") this.store.update({ notice });
  }

  private redo(): void {
    if (this.store.get().line.editable) this.edits.redo();
  }

  private save(): void {
    const { line } = this.store.get();
    if (line.editable && line.unsaved > 0 && line.state === "up") this.link?.save();
  }

  private editChosen(): void {
    const { selection, line, review } = this.store.get();
    const run = review.runs.find((r) => r.id === selection.run);
    this.store.update({ tab: "edit" });
    if (run?.editable === true && line.editable) this.store.editing({ run: run.id, corner: null, adding: false });
  }

  private decideChosen(): void {
    const { selection, line, deciding } = this.store.get();
    if (selection.finding === null || !line.editable) return;
    this.store.update({ tab: "run", deciding: { ...deciding, open: true } });
    const first = byId("panel-run").querySelector<HTMLElement>(".decide input:checked");
    first?.focus();
    first?.scrollIntoView({ block: "center" });
  }

  /** The server has a new review: everything anew, the place stays. */
  private async reload(): Promise<void> {
    try {
      const review = await this.source.review();
      const building = await this.source.building();
      this.store.update({ review, elements: building.elements });
      this.scene.setReview(review);
      this.scene.setBuilding(building);
      for (const [role, shown] of Object.entries(this.store.get().look.roles)) this.scene.setRole(role, shown);
      this.rolesFrom();
      this.marks(this.store.get());
      this.store.select(this.store.get().selection, "check");
      this.store.update({ notice: "The job was read anew." });
    } catch (error) {
      const why = error instanceof Error ? error.message : String(error);
      this.store.line({ failures: [...this.store.get().line.failures, why] });
    }
  }
}

/** What a pick names to the server. */
function thing({ run, element }: Pick): Thing | null {
  return run !== null ? { run } : element !== null ? { element } : null;
}

/** What lies over the picture, in its pixels: words in it keep away from there. */
function covered(): { left: number; top: number; right: number; bottom: number }[] {
  const { left: x, top: y } = byId("picture").getBoundingClientRect();
  const over = [...byId("picture-tools").children, byId("picture-key"), byId("status")].map((part) => part.getBoundingClientRect());
  return over.filter(({ width }) => width > 0).map(({ left, top, right, bottom }) => ({ left: left - x, top: top - y, right: right - x, bottom: bottom - y }));
}

/** Say in the place of the picture why there is none; empty: there is one. */
function noPicture(why: string): void {
  const words = byId("no-picture");
  words.hidden = why === "";
  words.textContent = why;
}
