/** Changes of runs: what a gesture or a typed number does, undo and redo, and what is still to be sent. */

import { History, absent, baseline, onTop } from "./history";
import type { Draft, Edit, Point, Run } from "./payload";
import { type Store, runOf } from "./store";

export interface Drawn {
  corners_m: Point[];
  straps_at_m: number[];
  supports_at_m: number[];
  cable: string;
  start: string;
  end: string;
}

export interface EditEvents {
  /** There is something to send. */
  changed(): void;
  /** The picture is to show a run as drawn: after undo and redo, or after a typed change. */
  draw(edit: Edit): void;
}

let gestures = 0;

/** The working copy of all changed runs. */
export class Edits {
  private readonly history = new History();
  private readonly unsent = new Set<string>();
  /** A run as the server has it, and as it was before the first change of this page. */
  private readonly sent = new Map<string, Edit>();
  private readonly first = new Map<string, { edit: Edit; untouched: boolean }>();
  private flying = new Map<string, Edit | undefined>();
  /** Runs that were made on this page, so that all that is known of them is known here. */
  private readonly made = new Set<string>();
  /** Runs that had arcs drawn in CAD before they were changed; and those whose arcs went with a save. */
  private readonly arcs = new Set<string>();
  private readonly bare = new Set<string>();
  /** Runs that this page changed itself, and did not only find changed. */
  private readonly mine = new Set<string>();
  /** Why undo does not reach further back; empty: nothing was before it. */
  private wall = "";

  constructor(
    private readonly store: Store,
    private readonly on: EditEvents,
  ) {}

  /** A run as it stands now, changes included; null where there is no such run (any more). */
  current(run: string): Drawn | null {
    const known = runOf(this.store.get(), run);
    const base = known === null ? null : baseline(known);
    const changed = this.history.current(run);
    const edit = changed ?? base;
    if (edit === null || edit.deleted === true || edit.corners_m === undefined) return null;
    const whole = base === null ? edit : onTop(base, edit);
    return {
      corners_m: whole.corners_m ?? [],
      straps_at_m: whole.straps_at_m ?? [],
      supports_at_m: whole.supports_at_m ?? [],
      cable: whole.cable ?? "",
      // null: what the project says, which is what the check found
      start: whole.start ?? base?.start ?? "open",
      end: whole.end ?? base?.end ?? "open",
    };
  }

  /** Take in an edit that the picture already shows (`draw` false), or one that was typed. */
  take(edit: Edit, gesture: string, label: string, draw: boolean): void {
    const known = runOf(this.store.get(), edit.run);
    const before = known === null ? absent(edit.run) : baseline(known);
    if (known === null && this.history.current(edit.run) === undefined) this.made.add(edit.run);
    if (known?.drawn_radius_m?.some((radius) => radius > 0)) this.arcs.add(edit.run);
    this.begin(edit.run, before, known?.changed !== true, before);
    this.mine.add(edit.run);
    this.history.record(edit, before, gesture, label);
    this.unsent.add(edit.run);
    if (draw) this.on.draw(edit);
    this.told();
  }

  /** Drafts that were in force before this page was opened, or that were taken up: each can be undone, as one step. */
  seed(drafts: readonly Draft[]): void {
    this.forget(new Set(drafts.map(({ after }) => after.run)));
    for (const { before, after, arcs } of drafts) {
      if (before.deleted === true) this.made.add(after.run);
      if (arcs) this.arcs.add(after.run);
      this.begin(after.run, before, true, after);
      this.history.record(after, before, `earlier-${after.run}`, `the earlier changes of ${after.run}`);
    }
    this.told();
  }

  private begin(run: string, before: Edit, untouched: boolean, sent: Edit): void {
    if (!this.first.has(run)) this.first.set(run, { edit: before, untouched });
    if (!this.sent.has(run)) this.sent.set(run, sent);
  }

  /** One typed or clicked change as a step of its own. */
  change(edit: Edit, label: string): void {
    gestures += 1;
    this.take(edit, `typed-${gestures}`, label, true);
  }

  /** Take the last step back; returns what there is to say about it. */
  undo(): string {
    const { undoSaved: saved, undoLabel: label } = this.history;
    const edits = this.history.undo();
    this.replay(edits);
    if (!saved) return "";
    const bare = edits.map(({ run }) => run).filter((run) => this.bare.has(run));
    const arcs = bare.length === 0 ? "" : ` Arcs that were drawn in ${bare.join(", ")} are not back: they went with the save.`;
    return `Taken back: ${label}. The file was already written, so this is a new change: save again to put it there.${arcs}`;
  }

  redo(): void {
    this.replay(this.history.redo());
  }

  get undoLabel(): string {
    return this.history.undoLabel;
  }

  get redoLabel(): string {
    return this.history.redoLabel;
  }

  /** What has changed since the last call; from now on it counts as sent. */
  toSend(): Edit[] {
    const edits: Edit[] = [];
    this.flying = new Map();
    for (const run of this.unsent) {
      const now = this.history.current(run) ?? this.first.get(run)?.edit;
      if (now === undefined) continue;
      const edit = this.difference(run, now);
      this.flying.set(run, this.sent.get(run));
      this.sent.set(run, now);
      if (edit !== null) edits.push(edit);
    }
    this.unsent.clear();
    return edits;
  }

  /** The server did not take what was sent last: it still has what it had. */
  refused(): void {
    for (const [run, edit] of this.flying) {
      if (edit !== undefined) this.sent.set(run, edit);
    }
    this.flying = new Map();
  }

  /** The line broke: whatever is not saved has to be sent again. */
  resend(): boolean {
    for (const edit of this.history.pending().filter(({ run }) => this.mine.has(run))) {
      this.sent.set(edit.run, this.first.get(edit.run)?.edit ?? absent(edit.run));
      this.unsent.add(edit.run);
    }
    return this.unsent.size > 0;
  }

  private difference(run: string, now: Edit): Edit | null {
    const had = this.sent.get(run) ?? absent(run);
    if (now.deleted === true) return had.deleted === true ? null : { run, deleted: true };
    const first = this.first.get(run);
    if (had.deleted === true) return { ...now, deleted: false, ...(first?.edit.deleted === true ? { added: true } : {}) };
    const edit: Edit = { run };
    for (const key of ["corners_m", "straps_at_m", "supports_at_m", "cable"] as const) {
      if (JSON.stringify(now[key]) !== JSON.stringify(had[key])) Object.assign(edit, { [key]: now[key] });
    }
    for (const key of ["start", "end"] as const) {
      if (now[key] === had[key]) continue;
      // an end that nobody stated goes back to being found, not to a stated one
      edit[key] = first?.untouched === true && first.edit[key] === now[key] ? null : now[key];
    }
    return Object.keys(edit).length > 1 ? edit : null;
  }

  /** True where this page holds changes that are not saved. */
  get pending(): number {
    return this.history.pending().length;
  }

  /**
   * What was sent is in the files now. Steps before stay, and taking one back is a new change; but where the files keep
   * less of a run than the project had, or keep it elsewhere, undo ends.
   */
  saved(): void {
    const { history } = this;
    const lost = new Map<string, string>();
    for (const run of history.runs) {
      const known = runOf(this.store.get(), run);
      const stands = this.sent.get(run);
      if (stands?.deleted === true && !this.made.has(run)) lost.set(run, `${run} is out of the file, with all that was written of it`);
      else if (known?.source === "drawing") {
        if (history.touches(run, ["straps_at_m", "supports_at_m"])) lost.set(run, `the straps of ${run} are in a drawing of their own now`);
        else if (this.arcs.has(run) && history.touches(run, ["corners_m"])) this.bare.add(run);
      }
    }
    history.saved(this.sent, this.unsent);
    for (const run of history.runs) this.first.set(run, { edit: this.sent.get(run) ?? absent(run), untouched: true });
    this.mine.clear();
    for (const run of this.unsent) this.mine.add(run);
    this.wall = [...lost.values()].at(-1) ?? this.wall;
    this.forget(new Set(lost.keys()));
    this.told();
  }

  /** The files were read anew: what was done to runs that are not as this page knows them cannot be taken back. */
  reconcile(): void {
    if (this.unsent.size > 0) return;
    const state = this.store.get();
    const stale = this.history.runs.filter((run) => !agree(this.sent.get(run), runOf(state, run)));
    if (stale.length === 0) return;
    this.wall = `${stale.join(", ")} changed in the files`;
    this.forget(new Set(stale));
    this.told();
  }

  private forget(runs: ReadonlySet<string>): void {
    this.history.forget(runs);
    for (const run of runs) for (const kept of [this.first, this.sent, this.made, this.arcs, this.bare, this.mine]) kept.delete(run);
  }

  /** Dropped: what there is now is where the next change starts. */
  clear(): void {
    this.history.clear();
    for (const kept of [this.unsent, this.sent, this.first, this.made, this.arcs, this.bare, this.mine]) kept.clear();
    this.wall = "";
    this.told();
  }

  /** An id for a new run that no run has. */
  freshId(near: string): string {
    const { runs, without_route } = this.store.get().review;
    const taken = new Set([...runs, ...(without_route ?? [])].map((run) => run.id));
    for (let k = 1; ; k += 1) {
      const id = `${near}-new-${k}`;
      if (!taken.has(id) && this.history.current(id) === undefined) return id;
    }
  }

  private replay(edits: Edit[]): void {
    for (const edit of edits) {
      this.mine.add(edit.run);
      this.unsent.add(edit.run);
      this.on.draw(edit);
    }
    this.told();
  }

  private told(): void {
    const { history } = this;
    const back = history.canUndo ? history.undoLabel || "the last change" : "";
    const forth = history.canRedo ? history.redoLabel || "the next change" : "";
    this.store.update({ undo: { back, forth, saved: history.undoSaved, behind: history.behind, wall: this.wall } });
    if (this.unsent.size > 0) this.on.changed();
  }
}

const WRITTEN_M = 1e-4; // files round, by far less

/** Whether a run is as the server had it when it was last spoken of. */
function agree(sent: Edit | undefined, run: Run | null): boolean {
  if (sent === undefined || sent.deleted === true || run === null) return (sent === undefined || sent.deleted === true) === (run === null);
  const alike = (a: number[], b: number[]): boolean => a.length === b.length && a.every((value, k) => Math.abs(value - b[k]) < WRITTEN_M);
  return (
    (sent.cable ?? run.cable) === run.cable &&
    alike((sent.corners_m ?? run.corners_m).flat(), run.corners_m.flat()) &&
    alike(sent.straps_at_m ?? run.straps_at_m, run.straps_at_m) &&
    alike(sent.supports_at_m ?? run.supports_at_m, run.supports_at_m)
  );
}
