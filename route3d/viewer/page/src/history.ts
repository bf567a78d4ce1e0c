/** What was changed, step by step, saves included: pure data, so that undo never depends on the picture. */

import type { Edit, Run } from "./payload";

interface Change {
  before: Edit;
  after: Edit;
}

interface Step {
  gesture: string;
  label: string;
  changes: Map<string, Change>;
  /** What it did is in the files. */
  saved: boolean;
}

/** A run as it stands, with everything that an edit can say about it. */
export function baseline(run: Run): Edit {
  return {
    run: run.id,
    corners_m: run.corners_m,
    straps_at_m: run.straps_at_m,
    supports_at_m: run.supports_at_m,
    cable: run.cable,
    start: run.start.kind,
    end: run.end.kind,
  };
}

/** The state of a run that is not there. */
export function absent(run: string): Edit {
  return { run, deleted: true };
}

/** `later` on top of `earlier`: keys that are absent stay as they are. */
export function onTop(earlier: Edit, later: Edit): Edit {
  if (later.deleted) return absent(later.run);
  const made = { ...earlier, ...later };
  delete made.deleted;
  return made;
}

/**
 * Undo and redo of edits. One gesture (a drag, a typed number, a move of several runs) is one step, however many
 * edits it sends while it lasts.
 */
export class History {
  private steps: Step[] = [];
  private done = 0;
  private readonly first = new Map<string, Edit>();
  private readonly now = new Map<string, Edit>();

  /** Take in an edit; `before` is the run as it stood before the first edit of it, see `baseline` and `absent`. */
  record(edit: Edit, before: Edit, gesture: string, label: string): void {
    const id = edit.run;
    const stood = this.now.get(id) ?? before;
    if (!this.first.has(id)) this.first.set(id, before);
    const after = onTop(stood, edit);
    const last = this.steps[this.done - 1];
    if (last !== undefined && last.gesture === gesture) {
      const change = last.changes.get(id);
      last.changes.set(id, { before: change === undefined ? stood : change.before, after });
      last.saved = false;
      this.steps.length = this.done;
    } else {
      this.steps.length = this.done;
      this.steps.push({ gesture, label, changes: new Map([[id, { before: stood, after }]]), saved: false });
      this.done += 1;
    }
    this.now.set(id, after);
  }

  get canUndo(): boolean {
    return this.done > 0;
  }

  get canRedo(): boolean {
    return this.done < this.steps.length;
  }

  get undoLabel(): string {
    return this.steps[this.done - 1]?.label ?? "";
  }

  get redoLabel(): string {
    return this.steps[this.done]?.label ?? "";
  }

  /** Whether what undo would take back is in the files already. */
  get undoSaved(): boolean {
    return this.steps[this.done - 1]?.saved ?? false;
  }

  /** Steps that are in the files, but were taken back since. */
  get behind(): number {
    return this.steps.slice(this.done).filter((step) => step.saved).length;
  }

  /** Go one step back; returns the edits to draw and to send. */
  undo(): Edit[] {
    if (!this.canUndo) return [];
    this.done -= 1;
    return this.go((change) => change.before);
  }

  /** Go one step forward again; returns the edits to draw and to send. */
  redo(): Edit[] {
    if (!this.canRedo) return [];
    this.done += 1;
    return this.go((change) => change.after, this.done - 1);
  }

  private go(side: (change: Change) => Edit, step = this.done): Edit[] {
    return [...this.steps[step].changes.values()].map((change) => {
      const edit = side(change);
      this.now.set(edit.run, edit);
      return this.told(edit);
    });
  }

  /** A run that was not there at first has to be said to be an added one whenever it is there. */
  private told(edit: Edit): Edit {
    return this.first.get(edit.run)?.deleted && !edit.deleted ? { ...edit, added: true } : edit;
  }

  /** One whole edit for each run that differs from what it was at first. */
  pending(): Edit[] {
    const changed: Edit[] = [];
    for (const [id, edit] of this.now) {
      if (!same(edit, this.first.get(id) as Edit)) changed.push(this.told(edit));
    }
    return changed;
  }

  /** The runs that some step changes. */
  get runs(): string[] {
    return [...this.now.keys()];
  }

  /** Whether some step changes a key of a run. */
  touches(run: string, keys: (keyof Edit)[]): boolean {
    return this.steps.some((step) => {
      const change = step.changes.get(run);
      return change !== undefined && keys.some((key) => JSON.stringify(change.before[key]) !== JSON.stringify(change.after[key]));
    });
  }

  /** Everything done is in the files now, but for runs in `later`; `standing` is how each run stands there. */
  saved(standing: ReadonlyMap<string, Edit>, later: ReadonlySet<string>): void {
    this.steps.forEach((step, k) => {
      step.saved = k < this.done && ![...step.changes.keys()].some((run) => later.has(run));
    });
    for (const [run, edit] of standing) if (this.now.has(run)) this.first.set(run, edit);
  }

  /** What was done to these runs cannot be taken back any more, nor what was done before it. */
  forget(runs: ReadonlySet<string>): void {
    const touched = this.steps.map((step) => [...step.changes.keys()].some((run) => runs.has(run)));
    const from = touched.lastIndexOf(true, this.done - 1) + 1;
    const until = touched.indexOf(true, this.done);
    this.steps = this.steps.slice(this.done > 0 ? from : 0, until < 0 ? undefined : until);
    if (this.done > 0) this.done -= from;
    for (const run of runs) {
      this.now.delete(run);
      this.first.delete(run);
    }
  }

  /** A run as it stands now, undefined where nothing was changed in it. */
  current(run: string): Edit | undefined {
    return this.now.get(run);
  }

  /** Begin anew: what there is now is where the next change starts. */
  clear(): void {
    this.steps = [];
    this.done = 0;
    this.first.clear();
    this.now.clear();
  }
}

function same(a: Edit, b: Edit): boolean {
  const plain = (edit: Edit): string => {
    const { added: _, ...rest } = edit;
    return JSON.stringify(Object.entries(rest).sort(([x], [y]) => (x < y ? -1 : 1)));
  };
  return plain(a) === plain(b);
}
