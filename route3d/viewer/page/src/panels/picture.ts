/** Around the picture: directions to look from, projection, measuring, the key to colours and shapes, the status line. */

import { fill, h, s } from "../dom";
import type { Severity, Verdict } from "../payload";
import type { State, Store, View } from "../store";
import { SEVERITIES, SEVERITY_MARKS, VERDICTS, VERDICT_WORDS, marker } from "../words";
import { redraw } from "./common";

export const VIEWS: [View, string, string][] = [
  ["plan", "Plan", "1"], ["front", "Front", "2"], ["side", "Side", "3"], ["iso", "Corner", "4"],
];

export interface PictureActions {
  view(view: View): void;
  fit(): void;
}

export function pictureTools(host: HTMLElement, store: Store, on: PictureActions): void {
  redraw(store, host, ["look", "line", "tab"], (state) => {
    const { projection, measuring, slice } = state.look;
    const toggle = (key: string, words: string, pressed: boolean, title: string, act: () => void): HTMLElement =>
      h("button", { type: "button", "data-key": key, "aria-pressed": String(pressed), title, onclick: act }, words);
    fill(
      host,
      h(
        "div", { role: "group", "aria-label": "Look from" },
        VIEWS.map(([view, name, key]) =>
          h("button", { type: "button", "data-key": view, title: `Key ${key} in the picture`, onclick: () => on.view(view) }, name),
        ),
        h("button", { type: "button", "data-key": "fit", title: "Key 0 in the picture", onclick: () => on.fit() }, "Everything"),
      ),
      h(
        "div", { role: "group", "aria-label": "How it is drawn" },
        toggle("projection", "Parallel", projection === "orthographic", "Parallel lines of sight: no perspective (key P)", () =>
          store.look({ projection: projection === "orthographic" ? "perspective" : "orthographic" }),
        ),
        toggle("measure", "Measure", measuring, "Distance between two surfaces that you click", () => {
          store.look({ measuring: !measuring });
          if (!measuring) store.update({ tab: "building" });
        }),
        toggle("cuts", "Cuts", slice !== null || state.look.section !== null, "Slice between heights, cut across the building", () =>
          store.update({ tab: "building" }),
        ),
      ),
    );
  });
}

/** What the colours, patterns and shapes in the picture mean: only what occurs. */
export function keyBox(host: HTMLElement, store: Store): void {
  let open = false;
  redraw(store, host, ["review"], (state) => {
    const box = h("details", { open, ontoggle: () => (open = box.open) }, h("summary", { "data-key": "key" }, "Key"), entries(state));
    fill(host, box);
  });
}

function entries(state: State): HTMLElement {
  const { runs, findings, checks } = state.review;
  const verdicts = VERDICTS.filter((v) => runs.some((run) => run.verdict === v));
  const severities = SEVERITIES.filter((v) => findings.some((f) => f.severity === v));
  const present = Object.keys(checks).filter((check) => findings.some((f) => f.check === check));
  return h(
    "div", { class: "key-body" },
    h("h2", { class: "unseen" }, "Key to the picture"),
    h("h3", {}, "Runs"),
    h("ul", {}, verdicts.map((v) => h("li", {}, tube(v), VERDICT_WORDS[v].one))),
    severities.length > 0 && h("h3", {}, "Findings, numbered as in the table"),
    h("ul", {}, severities.map((v) => h("li", {}, dot(v), `${SEVERITY_MARKS[v]} ${v}`))),
    h("ul", { class: "two" }, present.map((check) => h("li", {}, marker(check, "violation", checks[check]?.shape), check))),
    h("h3", {}, "On what is chosen"),
    h(
      "ul", {},
      h("li", {}, sample("M1 6H27", "required"), "what the rule requires"),
      h("li", {}, sample("M1 6H27M1 2v8M27 2v8", "gap"), "gap with its size"),
      state.review.editable && h("li", {}, sample("M1 6H27", "proposal"), "a proposal"),
    ),
  );
}

function tube(verdict: Verdict): SVGElement {
  const line = { pass: "M1 6H27", fail: "M1 6H27M7 2v8M14 2v8M21 2v8", unchecked: "M1 6h6M11 6h6M21 6h6" }[verdict];
  return s("svg", { width: 28, height: 12, class: `sample tube ${verdict}`, "aria-hidden": "true" }, s("path", { d: line }));
}

function sample(line: string, kind: string): SVGElement {
  return s("svg", { width: 28, height: 12, class: `sample ${kind}`, "aria-hidden": "true" }, s("path", { d: line }));
}

function dot(severity: Severity): SVGElement {
  return s("svg", { width: 28, height: 14, class: `sample dot ${severity}`, "aria-hidden": "true" }, s("circle", { cx: 14, cy: 7, r: 5 }));
}
