/** Proposals: asked for, gone through, checked again where something has changed since, and taken over as a change. */

import type { Edits } from "./edits";
import type { Aside, Edit, FromServer, Option, Point, Proposed, WithoutRoute } from "./payload";
import { type Proposing, type State, type Store, runOf, withoutRoute } from "./store";
import type { Lengths } from "./units";
import { counted } from "./units";

export const NO_LINE = "There is no line to route3d; a proposal can be asked for when it is back.";
const SNAP_M = 0.3;
const NOT_ANY_MORE = "Something has changed since this was proposed, and it does not pass any more.";

export interface ProposalEvents {
  /** Ask the server beside drafts; the number of the answer, or null without a line. */
  ask(order: Aside): number | null;
  /** A proposal has been found: show the run and it. */
  found(proposing: Proposing): void;
  /** Open the corners of a run for dragging. */
  adjust(run: string): void;
}

/** Whether a proposal can be asked for a run, and which kind. */
export function askable(state: State, run: string | null): "mend" | "routes" | null {
  if (run === null || !state.line.editable) return null;
  const known = runOf(state, run);
  if (known !== null) return known.verdict === "fail" && known.editable ? "mend" : null;
  return withoutRoute(state).some((r) => r.id === run) ? "routes" : null;
}

export function optionOf(proposing: Proposing | null): Option | null {
  return proposing?.answer?.options[proposing.chosen] ?? null;
}

/** Whether a proposal speaks of an earlier state than the one that the page shows. */
export function isStale(state: State, proposing: Proposing): boolean {
  return proposing.answer !== null && proposing.answer.revision !== state.review.revision;
}

export class Proposals {
  private readonly all = new Map<string, Proposing>();
  /** The search under way, or the proposal that is checked again. */
  private asked: { seq: number; run: string; adjust: boolean } | null = null;
  private label = "";

  constructor(
    private readonly store: Store,
    private readonly edits: Edits,
    private readonly lengths: Lengths,
    private readonly on: ProposalEvents,
  ) {
    store.subscribe((now, before) => this.follow(now, before));
  }

  /** Ask for a proposal for a run, or for the chosen one. */
  ask(run: string | null = this.store.get().selection.run): void {
    const what = askable(this.store.get(), run);
    if (run === null || what === null) return;
    this.giveUp();
    const seq = this.on.ask({ do: what, run });
    const fresh: Proposing = {
      run, what, stage: "searching", waiting: false, steps: 0, seconds: 0, answer: null, chosen: 0, why: "",
    };
    if (seq === null) {
      this.put({ ...fresh, stage: "failed", why: NO_LINE });
      return;
    }
    this.asked = { seq, run, adjust: false };
    this.put(fresh);
    this.store.update({ notice: what === "mend" ? `Looking for a change of ${run} that passes.` : `Looking for routes for ${run}.` });
  }

  /** Give the search up. */
  stop(): void {
    const { asked } = this;
    this.giveUp();
    if (asked !== null) this.drop(asked.run);
  }

  choose(option: number): void {
    const { proposing } = this.store.get();
    if (proposing === null || proposing.answer === null) return;
    const last = proposing.answer.options.length - 1;
    this.put({ ...proposing, chosen: Math.min(Math.max(option, 0), last) });
  }

  /** Take the shown proposal over as a change that is not saved; `adjust`: and open its corners. */
  take(adjust: boolean): void {
    const state = this.store.get();
    const { proposing } = state;
    const option = optionOf(proposing);
    if (proposing === null || option === null || proposing.stage !== "found") return;
    if (!isStale(state, proposing)) {
      this.accept(proposing, option, adjust);
      return;
    }
    this.giveUp();
    const seq = this.on.ask({ do: "try", proposal: option.id });
    if (seq === null) {
      this.store.update({ notice: NO_LINE });
      return;
    }
    this.asked = { seq, run: proposing.run, adjust };
    this.put({ ...proposing, stage: "again" });
    this.store.update({ notice: "Something has changed since: checking the proposal again." });
  }

  /** Forget the proposal for a run. */
  drop(run: string | null = this.store.get().proposing?.run ?? null): void {
    if (run === null) return;
    if (this.asked?.run === run) this.giveUp();
    this.all.delete(run);
    if (this.store.get().proposing?.run === run) this.store.update({ proposing: null });
  }

  /** Take in a message; true where it was about a proposal. */
  hear(message: FromServer): boolean {
    if (message.say === "searching") {
      const known = this.all.get(message.run);
      if (message.seq === this.asked?.seq && known?.stage === "searching") {
        this.put({ ...known, waiting: message.waiting, steps: message.steps, seconds: message.seconds });
      }
      return true;
    }
    if (message.say === "stopped") return true;
    if (message.say === "proposed") {
      if (message.seq === this.asked?.seq) this.answered(message);
      return true;
    }
    if (message.say === "failed" && message.seq !== null && message.seq === this.asked?.seq) {
      const { run } = this.asked;
      this.asked = null;
      const known = this.all.get(run);
      if (known !== undefined) this.put({ ...known, stage: "failed", why: message.why });
      return true;
    }
    return false;
  }

  private answered(message: Proposed): void {
    const known = this.all.get(message.run);
    const adjust = this.asked?.adjust === true;
    this.asked = null;
    if (known === undefined) return;
    if (known.stage === "again") {
      this.again(known, message, adjust);
      return;
    }
    const found = message.outcome === "found" && message.options.length > 0;
    const next: Proposing = { ...known, stage: found ? "found" : "nothing", answer: message, chosen: 0, why: nothingWords(message) };
    this.put(next);
    this.store.update({ notice: found ? foundWords(this.store.get(), message, this.lengths) : next.why });
    if (found) this.on.found(next);
  }

  /** A stale proposal was checked again. */
  private again(known: Proposing, message: Proposed, adjust: boolean): void {
    const [option] = message.options;
    if (message.outcome !== "found" || option === undefined || known.answer === null) {
      this.put({ ...known, stage: "nothing", answer: message, chosen: 0, why: NOT_ANY_MORE });
      this.store.update({ notice: NOT_ANY_MORE });
      return;
    }
    const options = known.answer.options.map((one) =>
      one.id === option.id ? { ...option, change: one.change, passed: one.passed } : one,
    );
    const next: Proposing = { ...known, stage: "found", answer: { ...known.answer, options } };
    this.accept(next, option, adjust);
  }

  private accept(proposing: Proposing, option: Option, adjust: boolean): void {
    this.label = proposing.what === "mend" ? `the proposal for ${proposing.run}` : `the route of ${proposing.run}`;
    this.edits.change(option.draft, this.label);
    this.put({ ...proposing, stage: "taken" });
    if (adjust) {
      this.drop(proposing.run);
      this.on.adjust(proposing.run);
    } else {
      this.store.update({ notice: `Taken over as a change that is not saved: ${proposing.run} is being checked.` });
    }
  }

  private giveUp(): void {
    const { asked } = this;
    if (asked === null) return;
    this.asked = null;
    const known = this.all.get(asked.run);
    if (known?.stage === "searching") {
      this.on.ask({ do: "stop", of: asked.seq });
      this.all.delete(asked.run);
    } else if (known?.stage === "again") this.all.set(asked.run, { ...known, stage: "found" });
  }

  private put(proposing: Proposing): void {
    this.all.set(proposing.run, proposing);
    const { selection, proposing: shown } = this.store.get();
    const at = selection.run ?? shown?.run ?? proposing.run;
    if (at === proposing.run) this.store.update({ proposing });
  }

  private follow(now: State, before: State): void {
    const { proposing } = now;
    if (now.selection.run !== before.selection.run && now.selection.run !== null && now.selection.run !== proposing?.run) {
      this.store.update({ proposing: this.all.get(now.selection.run) ?? null });
    }
    // saved, undone, or something else done since: what was taken over is a change like any other
    if (proposing?.stage === "taken" && now.undo !== before.undo && now.undo.back !== this.label) this.drop(proposing.run);
    if (now.line.state === "lost" && before.line.state !== "lost" && this.asked !== null) {
      const { run } = this.asked;
      this.asked = null;
      const known = this.all.get(run);
      if (known !== undefined) this.put({ ...known, stage: "failed", why: NO_LINE });
    }
  }
}

/** A route drawn by hand between given ends: it begins and ends there, and what the project says of its ends stays. */
export function betweenEnds(edit: Edit, ends: WithoutRoute): Edit {
  const { start: _, end: __, ...kept } = edit;
  const corners = [...(edit.corners_m ?? [])];
  const last = corners.length - 1;
  const near = (a: Point, b: Point): boolean => Math.hypot(...a.map((value, axis) => value - b[axis])) <= SNAP_M;
  if (last >= 1 && near(corners[0], ends.to_m) && near(corners[last], ends.from_m)) corners.reverse();
  if (last >= 1 && near(corners[0], ends.from_m)) corners[0] = ends.from_m;
  if (last >= 1 && near(corners[last], ends.to_m)) corners[last] = ends.to_m;
  return { ...kept, corners_m: corners };
}

/** What was found, in a sentence that is read out. */
export function foundWords(state: State, answer: Proposed, lengths: Lengths): string {
  const [first] = answer.options;
  if (answer.what === "routes") {
    const many = answer.options.length;
    return `${counted(many, "route")} for ${answer.run}: ${many > 1 ? "the first is " : ""}${lengths.show(first.run.length_m)} long. Accept, adjust or drop.`;
  }
  const now = runOf(state, answer.run);
  const longer = now === null ? "" : `, ${longerWords(first.run.length_m - now.length_m, lengths)}`;
  return `A change of ${answer.run} was found that ${first.run.verdict === "pass" ? "passes" : "violates nothing"}${longer}. Accept, adjust or drop.`;
}

/** How much longer or shorter a line is than another one. */
export function longerWords(by_m: number, lengths: Lengths): string {
  if (Math.abs(by_m) < 5e-4) return "as long as before";
  return by_m > 0 ? `${lengths.show(by_m)} longer` : `${lengths.show(-by_m)} shorter`;
}

function nothingWords(answer: Proposed): string {
  if (answer.outcome === "passes") return `Nothing is violated on ${answer.run}, so nothing is to be changed.`;
  if (answer.outcome === "late") return `No proposal for ${answer.run}: ${answer.why}.`;
  if (answer.outcome === "stopped") return `The search for ${answer.run} was given up.`;
  return answer.what === "mend" ? `No change of ${answer.run} was found that passes.` : `No route for ${answer.run} was found that passes.`;
}
