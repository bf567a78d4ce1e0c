/** What the page shows, in one place: panels and picture read it, and hear of every change. */

import { type Filter, NO_FILTER } from "./filter";
import type { Distance, Drafts, Element, Finding, Point, Proposed, Review, Run, Step, WithoutRoute } from "./payload";

/** One selection everywhere. A selected finding brings its run and element with it. */
export interface Selection {
  finding: string | null;
  run: string | null;
  element: string | null;
}

export type Cause = "table" | "panel" | "picture" | "link" | "window" | "check";
export type Shown = "shown" | "ghost" | "hidden";
export type View = "plan" | "front" | "side" | "iso";
export type Projection = "orthographic" | "perspective";
export type Tab = "run" | "overview" | "building" | "edit";

/** The building is cut away on one side of a plane; `at_m` from the local origin. */
export interface Section {
  axis: "x" | "y" | "z";
  at_m: number;
  keep: "low" | "high";
}

/** fitting: those that the selection speaks of. */
export type Spans = "fitting" | "securing" | "supporting" | "none";

export interface Look {
  /** As the picture tells them, once the building is loaded; also "zones", "markers" and the like. */
  roles: Record<string, Shown>;
  projection: Projection;
  section: Section | null;
  /** null at one end: open there. */
  slice: { low_m: number | null; high_m: number | null } | null;
  measuring: boolean;
  /** Which spans are coloured on the chosen run. */
  spans: Spans;
}

export interface Editing {
  /** The run whose corners can be moved; null: nothing is being edited. */
  run: string | null;
  /** Runs whose corners move together with those of that one. */
  also: string[];
  corner: number | null;
  /** Corners are moved, or straps. */
  what: "corners" | "straps";
  axisSnap: boolean;
  levelLock: boolean;
  /** True while corners of a new run are being set by clicking. */
  adding: boolean;
}

export interface Line {
  /** report: the data is in the page, there is no server. */
  state: "report" | "connecting" | "up" | "lost";
  editable: boolean;
  whyNot: string;
  checking: boolean;
  lastCheck_ms: number | null;
  unsaved: number;
  saving: boolean;
  drafts: Drafts | null;
  /** What the server is busy with, in words; empty: nothing. */
  working: string;
  /** Sentences on the last check, such as straps that lie beyond the end. */
  notes: string[];
  /** The server does not know this browser. */
  refused: boolean;
  changedInputs: string[];
  failures: string[];
  follow: boolean;
}

/** The decision that is being made. */
export interface Deciding {
  /** It is on its way to the server. */
  sending: boolean;
  /** Why it was not kept, in a sentence; empty: nothing is wrong. */
  trouble: string;
  /** The finding at which it is made. */
  about: string | null;
  /** The form is open, also for the next finding that is chosen. */
  open: boolean;
}

/** What is known of a proposal for one run. */
export interface Proposing {
  run: string;
  what: "mend" | "routes";
  /** taken: it is an unsaved change now. again: it is checked once more, before it is taken. */
  stage: "searching" | "found" | "nothing" | "failed" | "again" | "taken";
  waiting: boolean;
  steps: number;
  seconds: number;
  answer: Proposed | null;
  /** Which option is shown. */
  chosen: number;
  why: string;
}

export interface Undo {
  /** What undo and redo would do, in words; empty: nothing. */
  back: string;
  forth: string;
  /** What undo would take back is in the files already. */
  saved: boolean;
  /** So many steps are in the files, but were taken back since. */
  behind: number;
  /** Why undo does not reach further back; empty: nothing was before it. */
  wall: string;
}

export interface State {
  review: Review;
  elements: Element[];
  selection: Selection;
  cause: Cause;
  filter: Filter;
  tab: Tab;
  look: Look;
  editing: Editing;
  line: Line;
  deciding: Deciding;
  undo: Undo;
  measured: Measured | null;
  /** The proposal for the chosen run; null: none was asked for. */
  proposing: Proposing | null;
  /** The last thing that happened, in a sentence; also read out. */
  notice: string;
}

/** Between two surfaces that were clicked. */
export interface Measured {
  from_m: Point;
  to_m: Point;
  gap_m: number;
  /** The shortest way between the two things that were clicked, or why it is not known; absent: not asked. */
  nearest?: Distance | string;
}

type Listener = (now: State, before: State) => void;

export const NOTHING: Selection = { finding: null, run: null, element: null };

/** The state, and who hears of its changes. */
export class Store {
  private state: State;
  private readonly listeners = new Set<Listener>();
  private waiting: Partial<State>[] = [];
  private telling = false;

  constructor(state: State) {
    this.state = state;
  }

  get(): State {
    return this.state;
  }

  /** Hear of every change; returns what ends it. */
  subscribe(listener: Listener): () => void {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  /** Change some of the state. A change made by a listener comes after the one that it hears of. */
  update(patch: Partial<State>): void {
    this.waiting.push(patch);
    if (this.telling) return;
    this.telling = true;
    try {
      for (let next = this.waiting.shift(); next !== undefined; next = this.waiting.shift()) {
        const before = this.state;
        this.state = { ...before, ...next };
        for (const listener of this.listeners) listener(this.state, before);
      }
    } finally {
      this.telling = false;
    }
  }

  line(patch: Partial<Line>): void {
    this.update({ line: { ...this.latest("line"), ...patch } });
  }

  look(patch: Partial<Look>): void {
    this.update({ look: { ...this.latest("look"), ...patch } });
  }

  editing(patch: Partial<Editing>): void {
    this.update({ editing: { ...this.latest("editing"), ...patch } });
  }

  /** Select; what the selection brings along is filled in. The same selection again is told too: the view flies there. */
  select(selection: Partial<Selection>, cause: Cause): void {
    const review = this.latest("review");
    const finding = review.findings.find((f) => f.id === selection.finding) ?? null;
    const ends = review.without_route?.find((r) => r.id === finding?.other)?.id;
    const run = finding === null ? (selection.run ?? null) : (finding.run ?? ends ?? selection.run ?? null);
    const known = new Set([...review.runs, ...(review.without_route ?? [])].map((r) => r.id));
    const other = finding?.other ?? null;
    this.update({
      selection: {
        finding: finding?.id ?? null,
        run: run !== null && known.has(run) ? run : null,
        element: selection.element ?? (other !== null && !known.has(other) ? other : null),
      },
      cause,
    });
  }

  private latest<K extends keyof State>(key: K): State[K] {
    for (let k = this.waiting.length - 1; k >= 0; k -= 1) {
      const patch = this.waiting[k];
      if (patch !== undefined && key in patch) return patch[key] as State[K];
    }
    return this.state[key];
  }
}

export function firstState(review: Review, elements: Element[], live: boolean): State {
  const whyNot = live ? "" : "This is a report: it shows one check and changes nothing.";
  return {
    review,
    elements,
    selection: NOTHING,
    cause: "link",
    filter: NO_FILTER,
    tab: "overview",
    look: { roles: {}, projection: "perspective", section: null, slice: null, measuring: false, spans: "fitting" },
    editing: { run: null, also: [], corner: null, what: "corners", axisSnap: true, levelLock: true, adding: false },
    line: {
      state: live ? "connecting" : "report",
      editable: live && review.editable,
      whyNot: live && !review.editable ? READ_ONLY : whyNot,
      checking: false,
      lastCheck_ms: null,
      unsaved: 0,
      saving: false,
      drafts: null,
      working: "",
      notes: [],
      refused: false,
      changedInputs: [],
      failures: [],
      follow: true,
    },
    deciding: { sending: false, trouble: "", about: null, open: false },
    undo: { back: "", forth: "", saved: false, behind: 0, wall: "" },
    measured: null,
    proposing: null,
    notice: "",
  };
}

export const READ_ONLY =
  "This page is read-only: it was opened for others on the network. Whoever started it can allow changes with --edit.";

export function runOf(state: State, id: string | null): Run | null {
  return id === null ? null : (state.review.runs.find((run) => run.id === id) ?? null);
}

/** Runs that have no route, as things stand with the changes so far. */
export function withoutRoute(state: State): WithoutRoute[] {
  const routed = new Set(state.review.runs.map((run) => run.id));
  return (state.review.without_route ?? []).filter((run) => !routed.has(run.id));
}

export function findingOf(state: State, id: string | null): Finding | null {
  return id === null ? null : (state.review.findings.find((finding) => finding.id === id) ?? null);
}

export function chainOf(state: State, id: string): Step[] {
  return state.review.chains[id] ?? [];
}

/** Findings that speak of a run, worst first. */
export function findingsOf(state: State, run: string): Finding[] {
  return state.review.findings.filter((finding) => finding.run === run || finding.other === run);
}

const indexes = new WeakMap<Element[], Map<string, Element>>();

/** The element of that id; there may be a hundred thousand of them, and a table asks for each row. */
export function elementOf(state: State, id: string): Element | null {
  let index = indexes.get(state.elements);
  if (index === undefined) {
    index = new Map(state.elements.map((element) => [element.id, element]));
    indexes.set(state.elements, index);
  }
  return index.get(id) ?? null;
}

/** A building element in words: what it is, then what it is called. */
export function elementWords(state: State, id: string): string {
  const element = elementOf(state, id);
  if (element === null) return id;
  const name = element.name !== "" ? element.name : element.handle !== "" ? element.handle : element.id;
  return `${element.role} ${name}`;
}

export function absolute(state: State, point: Point): Point {
  const [x, y, z] = state.review.origin_m;
  return [point[0] + x, point[1] + y, point[2] + z];
}
