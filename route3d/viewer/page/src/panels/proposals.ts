/** The proposal for the chosen run: asked for, seen beside today's line with its numbers, and taken over or not. */

import { fill, h } from "../dom";
import type { Blocked, Option, Proposed, Run } from "../payload";
import { type Proposals, askable, isStale, longerWords } from "../proposals";
import { type Proposing, type State, type Store, elementWords, runOf, withoutRoute } from "../store";
import type { Lengths } from "../units";
import { counted } from "../units";
import { VERDICT_WORDS } from "../words";
import { redraw, table, verdict } from "./common";

const MOST_LINES = 5;
const LOST = "The line to route3d is lost.";

export interface ProposalActions {
  /** Look at a place. */
  goTo(point: [number, number, number]): void;
  /** Set the corners of a run by clicking. */
  byHand(run: { run: string; cable: string }): void;
}

export function proposalPanel(host: HTMLElement, store: Store, lengths: Lengths, proposals: Proposals, on: ProposalActions): void {
  let stage = "";
  host.tabIndex = -1;
  host.addEventListener("keydown", (event) => {
    const { proposing } = store.get();
    if (event.key !== "Escape" || proposing === null) return;
    event.stopPropagation();
    if (proposing.stage === "searching") proposals.stop();
    else proposals.drop();
  });
  const draw = (state: State): void => {
    const { proposing } = state;
    const asks = askable(state, state.selection.run);
    const parts = proposing !== null ? card(state, lengths, proposals, on, proposing) : asks !== null ? ask(state, lengths, proposals, on, asks) : null;
    const now = `${proposing?.run ?? state.selection.run ?? ""} ${proposing?.stage ?? "none"}`;
    const had = host.contains(document.activeElement);
    host.hidden = parts === null;
    host.className = `proposal ${proposing?.stage ?? "none"}`;
    fill(host, parts ?? []);
    // the control that was used may be gone: the keyboard stays here
    if (had && now !== stage) (host.querySelector<HTMLElement>("input[type=radio]:checked, [data-first]") ?? host).focus({ preventScroll: true });
    stage = now;
  };
  redraw(store, host, ["proposing", "selection", "review", "line", "elements"], draw);
}

/** Nothing was asked for yet. */
function ask(state: State, lengths: Lengths, proposals: Proposals, on: ProposalActions, what: "mend" | "routes"): HTMLElement[] {
  const run = state.selection.run ?? "";
  const down = state.line.state !== "up";
  const button = h(
    "button",
    { type: "button", class: "main", "data-key": "propose", "data-first": true, disabled: down, title: down ? LOST : "Key M", onclick: () => proposals.ask(run) },
    what === "mend" ? "Propose a change" : "Find routes",
  );
  if (what === "mend") {
    const words = h("p", {}, h("b", {}, run), " ", verdict("fail"));
    return [h("div", { class: "ask" }, words, button)];
  }
  const ends = withoutRoute(state).find((one) => one.id === run);
  const facts = ends === undefined ? "" : `${ends.cable}, ${lengths.show(apart(ends.from_m, ends.to_m))} apart at right angles`;
  return [
    h(
      "div", { class: "ask" },
      h("p", {}, h("b", {}, run), " has no route yet", facts !== "" && h("span", { class: "soft" }, h("br"), facts)),
    ),
    buttons(
      button,
      ...(ends === undefined ? [] : [h("button", { type: "button", "data-key": "by-hand", onclick: () => on.byHand({ run, cable: ends.cable }) }, "Draw it by hand")]),
    ),
  ];
}

function apart(a: readonly number[], b: readonly number[]): number {
  return a.reduce((sum, value, axis) => sum + Math.abs(value - b[axis]), 0);
}

function card(state: State, lengths: Lengths, proposals: Proposals, on: ProposalActions, proposing: Proposing): HTMLElement[] {
  switch (proposing.stage) {
    case "searching":
      return [head(proposing, "searching"), searching(proposing, proposals)];
    case "failed":
      return [head(proposing, "not found"), h("p", { class: "trouble", role: "alert" }, proposing.why), buttons(again(state, proposals, proposing), dropped(proposals, "Close"))];
    case "nothing":
      return [head(proposing, "none"), ...nothing(state, proposals, on, proposing)];
    case "taken":
      return [head(proposing, "taken over"), ...taken(state, proposals, proposing)];
    default:
      return found(state, lengths, proposals, proposing);
  }
}

function head(proposing: Proposing, said: string): HTMLElement {
  const title = proposing.what === "mend" ? `Proposal for ${proposing.run}` : `Routes for ${proposing.run}`;
  return h("h2", {}, title, h("span", { class: "unseen" }, `, ${said}`));
}

function searching(proposing: Proposing, proposals: Proposals): HTMLElement {
  const words = proposing.waiting
    ? "Waiting: another search comes first."
    : `Looking for ${proposing.what === "mend" ? "the smallest change that passes" : "routes that pass"} …`;
  const since = proposing.seconds > 0 ? ` ${proposing.seconds.toFixed(0)} s` : "";
  return h(
    "div", { class: "ask" },
    h("p", {}, h("span", { class: "busy", "aria-hidden": "true" }), words, h("span", { class: "soft figure" }, since)),
    h("button", { type: "button", "data-key": "stop-search", "data-first": true, title: "Esc", onclick: () => proposals.stop() }, "Stop"),
  );
}

function found(state: State, lengths: Lengths, proposals: Proposals, proposing: Proposing): HTMLElement[] {
  const { answer } = proposing;
  const option = answer?.options[proposing.chosen];
  if (answer === null || option === undefined) return [];
  const today = runOf(state, proposing.run);
  const busy = proposing.stage === "again";
  const parts = [head(proposing, "found")];
  const body = h(
    "div", { class: "body", tabindex: 0, role: "group", "aria-label": "Numbers of the proposal" },
    proposing.what === "mend" ? sideBySide(today, option, answer, lengths) : alternatives(answer, proposing, lengths, proposals),
    h("p", { class: "soft" }, changed(option, today, answer, lengths)),
    option.passed.length > 0 && h("p", { class: "soft" }, `Holes in ${option.passed.map((id) => elementWords(state, id)).join(", ")}.`),
    option.unchecked.map((why) => h("p", { class: "note-line" }, `Not checked, and no other line changes that: ${why}`)),
    answer.notes.map((note) => h("p", { class: "note-line" }, note)),
    isStale(state, proposing) && h("p", { class: "note-line", "data-key": "stale" }, "Something has changed since; it is checked again before it is taken over."),
  );
  parts.push(
    body,
    buttons(
      h("button", { type: "button", class: "main", "data-key": "accept", "data-first": true, disabled: busy, title: "As a change that is not saved; Ctrl+Z takes it back", onclick: () => proposals.take(false) }, busy ? "Checking again …" : "Accept"),
      h("button", { type: "button", "data-key": "adjust", disabled: busy, title: "Take it over and open its corners", onclick: () => proposals.take(true) }, "Adjust"),
      dropped(proposals, "Drop"),
    ),
  );
  return parts;
}

/** Today's run and the proposed one, number by number. */
function sideBySide(today: Run | null, option: Option, answer: Proposed, lengths: Lengths): HTMLElement {
  const now = today === null ? null : figures(today, answer.before?.holes ?? 0, lengths);
  const then = figures(option.run, option.holes, lengths);
  return table(
    ["Number", "Today", "Proposed"],
    then.map(([name, value], k) => {
      const before = now?.[k]?.[1] ?? "–";
      return [name, before, value instanceof Node || before === value ? value : h("b", {}, value)];
    }),
    [1, 2],
  );
}

function figures(run: Run, holes: number, lengths: Lengths): [string, string | Node][] {
  return [
    ["Result", verdict(run.verdict)],
    ["Length", lengths.show(run.length_m)],
    ["Bends", String(run.bends.length)],
    ["Tightest bend", tightest(run)],
    ["Smallest gap", gap(run, lengths)],
    ["Straps", String(straps(run))],
    ["Holes", String(holes)],
  ];
}

function gap(run: Run, lengths: Lengths): string {
  return run.smallest_gap_m === null || run.smallest_gap_m === undefined ? "–" : lengths.show(run.smallest_gap_m);
}

/** Those that the run states and those drawn beside it. */
function straps(run: Run): number {
  return run.supports.filter((one) => one.kind === "strap").length;
}

/** As a share of the radius that is asked. */
function tightest(run: Run): string {
  const ratios = run.bends.flatMap((bend) => (bend.ratio === null ? [] : [bend.ratio]));
  return ratios.length === 0 ? "–" : `${Math.min(...ratios).toFixed(2)} × asked`;
}

/** Several routes: one row each; up and down go through them. */
function alternatives(answer: Proposed, proposing: Proposing, lengths: Lengths, proposals: Proposals): HTMLElement {
  const rows = answer.options.map((option, k) => {
    const { run } = option;
    const box = h("input", {
      type: "radio", name: "route", checked: k === proposing.chosen, "data-key": `route-${k}`, disabled: proposing.stage === "again",
      "aria-label": `Route ${k + 1}, ${VERDICT_WORDS[run.verdict].one}, ${lengths.show(run.length_m)}, ${counted(run.bends.length, "bend")}, ${counted(straps(run), "strap")}, ${counted(option.holes, "hole")}`,
      onchange: () => proposals.choose(k),
    });
    return [
      h("label", {}, box, ` ${k + 1}`), h("span", { class: `verdict ${run.verdict}` }, VERDICT_WORDS[run.verdict].mark), lengths.show(run.length_m),
      String(run.bends.length), String(straps(run)), String(option.holes), gap(run, lengths),
    ];
  });
  const list = table(["Route", "Result", "Length", "Bends", "Straps", "Holes", "Gap"], rows, [2, 3, 4, 5, 6]);
  list.classList.add("routes");
  list.querySelectorAll("tbody tr").forEach((row, k) => {
    row.classList.toggle("chosen", k === proposing.chosen);
    row.addEventListener("click", () => proposals.choose(k));
  });
  return h("div", { role: "radiogroup", "aria-label": "Routes" }, list);
}

/** What becomes of the drawn points, in words. */
function changed(option: Option, today: Run | null, answer: Proposed, lengths: Lengths): string {
  const parts: string[] = [];
  if (today !== null) parts.push(longerWords(option.run.length_m - today.length_m, lengths));
  const { change } = option;
  if (change !== null) {
    if (change.points_moved > 0) parts.push(`${counted(change.points_moved, "corner")} moved`);
    if (change.new_corners > 0) parts.push(counted(change.new_corners, "new corner"));
    if (change.corners_gone > 0) parts.push(`${counted(change.corners_gone, "corner")} gone`);
    if (change.moved_m > 0) parts.push(`${lengths.show(change.moved_m)} moved in all`);
    if (change.straps_added > 0) parts.push(`${counted(change.straps_added, "strap")} added`);
  }
  if (answer.what === "routes") {
    const { least_m } = answer;
    if (least_m !== undefined && least_m > 0) {
      const share = 100 * (option.run.length_m / least_m - 1);
      parts.push(`its ends are ${lengths.show(least_m)} apart at right angles: ${share >= 0 ? "+" : "−"}${Math.abs(share).toFixed(1)} %`);
    }
  }
  const words = parts.join(" · ");
  return words === "" ? "" : `${words[0].toUpperCase()}${words.slice(1)}.`;
}

function nothing(state: State, proposals: Proposals, on: ProposalActions, proposing: Proposing): HTMLElement[] {
  const { answer } = proposing;
  const blocked = answer?.blocked ?? [];
  const stuck = answer?.stuck ?? [];
  return [
    h(
      "div", { class: "body", tabindex: 0, role: "group", "aria-label": "Why there is none" },
      h("p", {}, proposing.why, answer !== null && answer.why !== "" && ` ${answer.why}`),
      blocked.length > 0 && h("p", { class: "soft" }, "In the way, of the line that came nearest:"),
      blocked.length > 0 && h("ul", { class: "lines" }, blocked.slice(0, MOST_LINES).map((one, k) => blocker(state, on, one, k))),
      blocked.length > MOST_LINES && h("p", { class: "soft" }, `and ${blocked.length - MOST_LINES} more`),
      stuck.map((one) => h("p", { class: "note-line" }, one.why)),
      answer?.outcome === "blocked" && h("p", { class: "soft" }, "Move an end, or what is in the way, then ask again; or change the corners yourself."),
    ),
    buttons(again(state, proposals, proposing), dropped(proposals, "Close")),
  ];
}

function blocker(state: State, on: ProposalActions, one: Blocked, k: number): HTMLElement {
  const { point_m } = one;
  const words = state.review.checks[one.check]?.title ?? one.check;
  const inner = [h("span", { class: "sign", "aria-hidden": "true" }, "✘"), h("b", {}, words), h("span", { class: "said" }, one.message)];
  return h(
    "li", {},
    point_m === null
      ? h("div", { class: "line violation" }, inner)
      : h("button", { type: "button", class: "line violation", "data-key": `blocked-${k}`, title: one.message, onclick: () => on.goTo(point_m) }, inner),
  );
}

function taken(state: State, proposals: Proposals, proposing: Proposing): HTMLElement[] {
  const run = runOf(state, proposing.run);
  const checked = run !== null && !state.line.checking;
  return [
    h(
      "p", {}, "Taken over as a change that is not saved. ",
      checked ? verdict(run.verdict) : h("span", { class: "soft" }, "checking …"),
    ),
    h("p", { class: "soft" }, "Ctrl+Z takes it back, Ctrl+S saves."),
    buttons(dropped(proposals, "Close")),
  ];
}

function buttons(...all: HTMLElement[]): HTMLElement {
  return h("div", { class: "buttons" }, all);
}

function again(state: State, proposals: Proposals, proposing: Proposing): HTMLElement {
  const can = askable(state, proposing.run) !== null && state.line.state === "up";
  return h("button", { type: "button", "data-key": "ask-again", "data-first": true, disabled: !can, onclick: () => proposals.ask(proposing.run) }, "Ask again");
}

function dropped(proposals: Proposals, words: string): HTMLElement {
  return h("button", { type: "button", "data-key": "drop-proposal", title: "Esc", onclick: () => proposals.drop() }, words);
}
