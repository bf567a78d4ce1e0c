/** A run unrolled: distance along the cable from left to right, as on the strip of the printed report. */

import { s } from "../dom";
import type { Finding, LengthUnit, Run, Span } from "../payload";
import { type Lengths, METRES } from "../units";
import { SEVERITY_MARKS } from "../words";

const ROW = 22;
const LEFT = 74;
const RIGHT = 12;
const FONT = 11;
const MOST_PLACES = 60;

/** Hatches of zones, so that kinds differ without colour. */
const HATCHES: Record<string, [string, string]> = {
  "accessible-ceiling": ["M0 8 8 0M-2 2 2-2M6 10 10 6", "none"],
  inaccessible: ["M0 0 8 8M8 0 0 8", "shade"],
  wet: ["M2 2v2M6 6v2", "none"],
  damp: ["M0 4h8", "none"],
  corrosive: ["M4 1v6M1 4h6", "none"],
  damage: ["M4 0v8", "none"],
  plenum: ["M4 1.5a2.5 2.5 0 1 0 .01 0Z", "none"],
  duct: ["M4 1.5a2.5 2.5 0 1 0 .01 0Z", "shade"],
  attic: ["M0 0 8 8M-2 6 2 10M6-2 10 2", "none"],
  buried: ["M2 2v2M6 6v2", "shade"],
};

export interface StripEvents {
  finding(id: string): void;
}

/** Draw the strip for a given width in pixels. */
export function strip(
  run: Run, findings: Finding[], chosen: string | null, width: number, origin_z: number, lengths: Lengths, on: StripEvents,
): SVGSVGElement {
  const inside = Math.max(width - LEFT - RIGHT, 60);
  const x = (at_m: number): number => LEFT + (inside * at_m) / Math.max(run.length_m, 1e-6);
  const pixels = (from: number, to: number): number => x(to) - x(from);
  const parts: SVGElement[] = [patterns()];
  let y = 4;
  const title = (text: string, at: number): void => {
    parts.push(s("text", { x: LEFT - 8, y: at, class: "strip-name", "text-anchor": "end" }, text));
  };

  y = zones(run, parts, title, x, pixels, y);
  y = cable(run, parts, title, x, y, lengths);
  for (const check of ["securing", "supporting"]) {
    const spans = run.spans.filter((span) => span.check === check);
    if (spans.length === 0) continue;
    title(check, y + ROW / 2 + 4);
    for (const span of spans) parts.push(bar(span, x, pixels, y, lengths));
    y += ROW + 4;
  }
  y = places(run, findings, chosen, parts, title, x, y, on);
  y = elevation(run, parts, title, x, y, origin_z, lengths);
  y = ruler(run, parts, x, y, inside, lengths);

  return s(
    "svg",
    {
      class: "strip", width, height: y, viewBox: `0 0 ${width} ${y}`, role: "group",
      "aria-label": `Run ${run.id} unrolled from start to end, ${lengths.show(run.length_m)}; the tables below say the same in words`,
    },
    parts,
  );
}

type Across = (at_m: number) => number;
type Title = (text: string, at: number) => void;

function patterns(): SVGElement {
  const shapes = Object.entries(HATCHES).map(([kind, [path, ground]]) =>
    s(
      "pattern", { id: `zone-${kind}`, width: 8, height: 8, patternUnits: "userSpaceOnUse" },
      s("rect", { width: 8, height: 8, class: ground === "shade" ? "zone-shade" : "zone-plain" }),
      s("path", { d: path, class: "hatch" }),
    ),
  );
  const exempt = s(
    "pattern", { id: "exempt-hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse" },
    s("rect", { width: 6, height: 6, class: "zone-plain" }), s("path", { d: "M0 6 6 0M-1 1 1-1M5 7 7 5", class: "hatch" }),
  );
  return s("defs", {}, shapes, exempt);
}

function zones(
  run: Run, parts: SVGElement[], title: Title, x: Across, pixels: (a: number, b: number) => number, top: number,
): number {
  title("zones", top + 13);
  if (run.zones.length === 0) {
    parts.push(note(x(run.length_m / 2), top + 13, "in no zone"));
    return top + ROW;
  }
  const ends: number[] = [];
  for (const zone of run.zones) {
    let row = ends.findIndex((end) => end <= zone.from_m);
    if (row < 0) row = ends.length;
    ends[row] = zone.to_m;
    const wide = pixels(zone.from_m, zone.to_m);
    const words = `${zone.kind}: ${zone.name}`;
    const label = [words, zone.kind].find((text) => room(text) < wide - 4) ?? "";
    parts.push(
      s(
        "g", {}, hint(words),
        s("rect", {
          x: x(zone.from_m), y: top + row * 19, width: Math.max(wide, 1), height: 17, class: "zone-band",
          fill: `url(#zone-${zone.kind in HATCHES ? zone.kind : "accessible-ceiling"})`,
        }),
        label !== "" && plate(x((zone.from_m + zone.to_m) / 2), top + row * 19 + 12.5, label),
      ),
    );
  }
  return top + ends.length * 19 + 6;
}

function cable(run: Run, parts: SVGElement[], title: Title, x: Across, top: number, lengths: Lengths): number {
  const middle = top + 26;
  title("bends", top + 12);
  title("cable", middle + 4);
  title("held at", middle + 24);
  parts.push(s("rect", { x: LEFT, y: middle - 3, width: x(run.length_m) - LEFT, height: 6, class: "cable" }));
  let free = Number.NEGATIVE_INFINITY;
  for (const bend of run.bends) {
    const bad = bend.required_m !== null && bend.inner_radius_m + 1e-4 < bend.required_m;
    const words =
      `bend of ${bend.angle_deg.toFixed(0)}°, inner radius ${lengths.show(bend.inner_radius_m)}` +
      (bend.required_m === null ? ", not judged" : `, required ${lengths.show(bend.required_m)}`);
    const at = x(bend.at_m);
    const label = (bad ? "✘ " : "") + `${bend.angle_deg.toFixed(0)}°`;
    parts.push(
      s(
        "g", { class: bad ? "bad" : "" }, hint(`${words}, at ${lengths.show(bend.at_m)}`),
        s("path", { d: `M${at} ${middle - 6}l5 6-5 6-5-6Z`, class: bad ? "bend bad" : "bend" }),
        at - free > room(label) + 3 && s("text", { x: at, y: top + 12, "text-anchor": "middle" }, label),
      ),
    );
    if (at - free > room(label) + 3) free = at;
  }
  if (run.bends.length === 0) parts.push(note(x(run.length_m / 2), top + 12, "no bend"));
  for (const support of run.supports) {
    if (support.kind === "box" || support.kind === "fitting") continue;
    const at = x(support.at_m);
    const words = `${support.kind}, ${support.secures ? "secures" : "only carries"}, at ${lengths.show(support.at_m)}`;
    const shape =
      support.kind === "framing"
        ? s("path", { d: `M${at} ${middle + 14}l5 6-5 6-5-6Z`, class: "mark" })
        : support.secures
          ? s("rect", { x: at - 4, y: middle + 15, width: 8, height: 10, class: "mark" })
          : s("circle", { cx: at, cy: middle + 20, r: 4.5, class: "mark open" });
    parts.push(s("g", {}, hint(words), s("path", { d: `M${at} ${middle - 4}V${middle + 15}`, class: "stem" }), shape));
  }
  if (run.supports.every((p) => p.kind === "box" || p.kind === "fitting")) {
    parts.push(note(x(run.length_m / 2), middle + 24, "nothing on the way"));
  }
  parts.push(end(x(0), middle, run.start.kind, "start"), end(x(run.length_m), middle, run.end.kind, "end"));
  return middle + 34;
}

function end(at: number, middle: number, kind: string, which: string): SVGElement {
  const shape =
    kind === "open"
      ? s("path", { d: `M${at} ${middle - 8}v16`, class: "stem thick" })
      : s("rect", { x: at - 5, y: middle - 6, width: 10, height: 12, class: "mark open" });
  return s("g", {}, hint(`${which}: ${kind}`), shape);
}

function bar(span: Span, x: Across, pixels: (a: number, b: number) => number, y: number, lengths: Lengths): SVGElement {
  const wide = pixels(span.from_m, span.to_m);
  const length = lengths.show(span.length_m);
  const of = span.limit_m === null ? "" : ` of ${lengths.show(span.limit_m)}`;
  const start = span.exempt !== null ? `exempt, ${span.exempt}: ` : span.ok ? "" : "✘ ";
  const texts = [`${start}${length}${of}`, `${start}${length}`, span.exempt !== null ? span.exempt : `${start}`.trim()];
  const label = texts.find((text) => room(text) < wide - 6) ?? "";
  const kind = span.exempt !== null ? "exempt" : span.ok ? "ok" : "fails";
  const words = `${span.check} span ${lengths.show(span.from_m)} to ${lengths.show(span.to_m)}: ${texts[0] ?? ""}. ${span.why}`;
  const middle = x((span.from_m + span.to_m) / 2);
  return s(
    "g", { class: `span ${kind}` }, hint(words),
    s("rect", {
      x: x(span.from_m) + 0.5, y: y + 2, width: Math.max(wide - 1, 1), height: ROW - 4,
      ...(kind === "exempt" ? { fill: "url(#exempt-hatch)" } : {}),
    }),
    label !== "" &&
      (kind === "exempt" ? plate(middle, y + 15, label) : s("text", { x: middle, y: y + 15, "text-anchor": "middle" }, label)),
  );
}

function places(
  run: Run, findings: Finding[], chosen: string | null, parts: SVGElement[], title: Title, x: Across, top: number, on: StripEvents,
): number {
  const shown = findings.filter((f) => f.run === run.id && f.at_m !== null && f.severity !== "note");
  title("findings", top + 15);
  if (shown.length === 0) {
    parts.push(note(x(run.length_m / 2), top + 15, "none with a place on this run"));
    return top + ROW;
  }
  const ends: number[] = [];
  const most = shown.slice(0, MOST_PLACES); // worst first
  if (most.length < shown.length && !most.some((f) => f.id === chosen)) most.push(...shown.filter((f) => f.id === chosen));
  for (const finding of most.sort((a, b) => (a.at_m?.[0] ?? 0) - (b.at_m?.[0] ?? 0))) {
    const [from, to] = finding.at_m ?? [0, 0];
    const label = `${SEVERITY_MARKS[finding.severity]}${finding.number}`;
    const middle = Math.min(Math.max(x((from + to) / 2), LEFT + 8), x(run.length_m) - 8);
    const half = room(label) / 2 + 5;
    let row = ends.findIndex((edge) => edge <= Math.min(middle - half, x(from)));
    if (row < 0) row = ends.length;
    ends[row] = Math.max(middle + half, x(to));
    const y = top + row * 22;
    const open = (): void => on.finding(finding.id);
    parts.push(
      s(
        "g",
        {
          class: `place ${finding.severity}${finding.id === chosen ? " chosen" : ""}`, tabindex: 0, role: "button",
          "aria-label": `finding ${finding.number}, ${finding.check}`, onclick: open,
          onkeydown: (event: KeyboardEvent) => {
            if (event.key !== "Enter" && event.key !== " ") return;
            event.preventDefault();
            open();
          },
        },
        hint(`${finding.number} ${finding.check}: ${finding.message}`),
        s("rect", { x: x(from), y: y + 8, width: Math.max(x(to) - x(from), 2), height: 3, class: "reach" }),
        s("rect", { x: middle - half, y: y + 1, width: 2 * half, height: 18, rx: 3, class: "badge" }),
        s("text", { x: middle, y: y + 14, "text-anchor": "middle" }, label),
      ),
    );
  }
  const left = shown.length - most.length;
  if (left > 0) parts.push(note(x(run.length_m / 2), top + ends.length * 22 + 14, `${left} more in the table`));
  return top + ends.length * 22 + (left > 0 ? 24 : 4);
}

function elevation(
  run: Run, parts: SVGElement[], title: Title, x: Across, top: number, origin_z: number, lengths: Lengths,
): number {
  const heights = run.line_m.map((point) => point[2]);
  if (heights.length < 2) return top;
  const low = Math.min(...heights);
  const high = Math.max(...heights);
  const tall = 46;
  const reach = Math.max(high - low, 0.05);
  const y = (z: number): number => top + 14 + (tall - 18) * (1 - (z - low) / reach);
  const line = run.line_m.map((point, k) => `${x(run.line_at_m[k] ?? 0).toFixed(1)} ${y(point[2]).toFixed(1)}`).join("L");
  title("height", top + tall / 2 + 8);
  parts.push(
    s("path", { d: `M${line}L${x(run.length_m)} ${top + tall + 4}L${LEFT} ${top + tall + 4}Z`, class: "under" }),
    s("path", { d: `M${line}`, class: "line" }),
    s("text", { x: LEFT + 2, y: y(heights[0] ?? 0) - 4 }, lengths.show((heights[0] ?? 0) + origin_z)),
    s(
      "text", { x: x(run.length_m) - 2, y: y(heights.at(-1) ?? 0) - 4, "text-anchor": "end" },
      lengths.show((heights.at(-1) ?? 0) + origin_z),
    ),
  );
  return top + tall + 4;
}

function ruler(run: Run, parts: SVGElement[], x: Across, top: number, inside: number, lengths: Lengths): number {
  const most = Math.max(Math.floor(inside / 62), 1);
  const { unit, figures } = rulerMarks(run.length_m, most, lengths.unit);
  parts.push(s("path", { d: `M${LEFT} ${top}H${x(run.length_m)}`, class: "stem" }));
  for (const { at_m, figure } of figures) {
    const at = x(at_m);
    parts.push(
      s("path", { d: `M${at} ${top}v4`, class: "stem" }),
      s("text", { x: at, y: top + 15, "text-anchor": at_m === 0 ? "start" : "middle" }, at_m === 0 ? `0 ${unit}` : figure),
    );
  }
  return top + 20;
}

/** Steps that people count in: tens, and for inches the parts and multiples of a foot. */
const STEPS: Partial<Record<LengthUnit, number[]>> = { in: [0.25, 0.5, 1, 2, 3, 6, 12, 24, 36, 60, 120, 240, 600, 1200] };

/** Where a ruler of the project's unit has its figures, at most so many steps. */
export function rulerMarks(length_m: number, most: number, unit: LengthUnit): { unit: LengthUnit; figures: { at_m: number; figure: string }[] } {
  const one = METRES[unit];
  const raw = length_m / one / most;
  const power = 10 ** Math.floor(Math.log10(Math.max(raw, 1e-6)));
  const tens = [1, 2, 5, 10].map((k) => k * power);
  const own = STEPS[unit] ?? [];
  const step = [...(raw > (own[0] ?? 0) / 2 ? own : []), ...tens].find((value) => value >= raw - 1e-9) ?? 10 * power;
  const figures: { at_m: number; figure: string }[] = [];
  for (let k = 0; k * step * one <= length_m + 1e-9; k += 1) figures.push({ at_m: k * step * one, figure: String(Number((k * step).toPrecision(6))) });
  return { unit, figures };
}

function room(text: string): number {
  return text.length * FONT * 0.56;
}

function hint(text: string): SVGElement {
  return s("title", {}, text);
}

function note(x: number, y: number, text: string): SVGElement {
  return s("text", { x, y, "text-anchor": "middle", class: "soft" }, text);
}

/** A label with paper behind it, so that a hatch does not run through it. */
function plate(x: number, y: number, text: string): SVGElement {
  const wide = room(text) + 6;
  return s(
    "g", {},
    s("rect", { x: x - wide / 2, y: y - 10.5, width: wide, height: 13, class: "plate" }),
    s("text", { x, y, "text-anchor": "middle" }, text),
  );
}
