/** What has to be said across the page: a lost line, changed files, drafts that were found, what went wrong. */

import { fill, h } from "../dom";
import type { State, Store } from "../store";
import { counted } from "../units";
import { redraw } from "./common";

export interface BannerActions {
  take(): void;
  drop(): void;
  reconnect(): void;
  readAnew(): void;
}

export function banners(host: HTMLElement, store: Store, on: BannerActions): void {
  let line: State["line"] | null = null;
  let shown = "";
  redraw(store, host, ["line", "review"], (state) => {
    const { decisions_trouble: trouble, decisions_elsewhere: elsewhere } = state.review;
    const now = `${trouble}\n${elsewhere}`;
    if (state.line === line && now === shown) return; // a run is being dragged
    [line, shown] = [state.line, now];
    fill(host, all(state, store, on));
  });
}

function all(state: State, store: Store, on: BannerActions): HTMLElement[] {
  const { line } = state;
  const list: HTMLElement[] = [];
  if (line.state === "lost") {
    const mend = line.refused
      ? "The server does not know this browser: open the address that route3d view printed."
      : "The line to route3d is lost; trying again by itself. If it was stopped, start route3d view again and open the address that it prints.";
    const kept = line.unsaved > 0 ? " Your changes are kept, and are sent again." : "";
    list.push(banner("lost", "alert", mend + kept, button("try-now", "Try now", on.reconnect)));
  }
  if (line.working !== "") list.push(banner("working", "status", `Route3d is busy: ${line.working} …`));
  if (line.drafts !== null && line.editable) {
    const { count, since, unreadable } = line.drafts;
    const lost = unreadable > 0 ? ` ${counted(unreadable, "more", "more")} could not be read.` : "";
    list.push(
      banner(
        "drafts", "status",
        `${counted(count, "unsaved change")} of an earlier session ${count === 1 ? "was" : "were"} found, begun ${moment(since)}.${lost}`,
        button("take", "Take them up", on.take), button("drop", "Drop them", on.drop),
      ),
    );
  }
  if (line.changedInputs.length > 0) {
    list.push(
      banner(
        "inputs", "status",
        `Changed on disk since it was read: ${line.changedInputs.join(", ")}. What you see speaks of the earlier ${line.changedInputs.length === 1 ? "file" : "files"}.`,
        button("read-anew", "Read the files anew", on.readAnew),
      ),
    );
  }
  const { decisions_trouble: trouble, decisions_elsewhere: elsewhere } = state.review;
  if (trouble !== "") list.push(banner("failure", "alert", `Decisions: ${trouble}.`));
  if (elsewhere > 0 && line.changedInputs.length === 0) {
    list.push(
      banner(
        "inputs", "status",
        `Another check was recorded since this page read the files: decisions on ${counted(elsewhere, "finding")} of it are not shown here.`,
        line.editable ? button("read-anew-decisions", "Read the files anew", on.readAnew) : h("span", {}),
      ),
    );
  }
  for (const [k, why] of line.failures.entries()) {
    list.push(
      banner(
        "failure", "alert", why,
        button(`failure-${k}`, "Dismiss", () => store.line({ failures: store.get().line.failures.filter((_, j) => j !== k) })),
      ),
    );
  }
  return list;
}

function banner(kind: string, role: string, text: string, ...buttons: HTMLElement[]): HTMLElement {
  return h("div", { class: `banner ${kind}`, role }, h("span", { class: "sign", "aria-hidden": "true" }, "!"), h("p", {}, text), buttons);
}

function button(key: string, words: string, act: () => void): HTMLElement {
  return h("button", { type: "button", "data-key": key, onclick: act }, words);
}

function moment(text: string): string {
  const at = new Date(text);
  return Number.isNaN(at.getTime()) ? text : at.toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
}
