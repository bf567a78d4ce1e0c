/** Changes of runs: what a gesture or a typed number does, undo and redo, and what is still to be sent. */

import { History, absent, baseline, onTop } from "./history";
import type { Edit, Point } from "./payload";
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
      start: whole.start ?? "open",
      end: whole.end ?? "open",
    };
  }

  /** Take in an edit that the picture already shows (`draw` false), or one that was typed. */
  take(edit: Edit, gesture: string, label: string, draw: boolean): void {
    const known = runOf(this.store.get(), edit.run);
    const before = known === null ? absent(edit.run) : baseline(known);
    if (!this.first.has(edit.run)) this.first.set(edit.run, { edit: before, untouched: known?.changed !== true });
    if (!this.sent.has(edit.run)) this.sent.set(edit.run, before);
    this.history.record(edit, before, gesture, label);
    this.unsent.add(edit.run);
    if (draw) this.on.draw(edit);
    this.told();
  }

  /** One typed or clicked change as a step of its own. */
  change(edit: Edit, label: string): void {
    gestures += 1;
    this.take(edit, `typed-${gestures}`, label, true);
  }

  undo(): void {
    this.replay(this.history.undo());
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
    for (const edit of this.history.pending()) {
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

  /** Saved or dropped: what there is now is where the next change starts. */
  clear(): void {
    this.history.clear();
    this.unsent.clear();
    this.sent.clear();
    this.first.clear();
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
      this.unsent.add(edit.run);
      this.on.draw(edit);
    }
    this.told();
  }

  private told(): void {
    const { history } = this;
    const back = history.canUndo ? history.undoLabel || "the last change" : "";
    const forth = history.canRedo ? history.redoLabel || "the next change" : "";
    this.store.update({ undo: { back, forth } });
    if (this.unsent.size > 0) this.on.changed();
  }
}
