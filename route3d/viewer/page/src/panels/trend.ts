/** From check to check: how many findings there were, and what was new, mended, gone and found again. */

import { h, s } from "../dom";
import { moment } from "../decisions";
import type { Checkpoint } from "../payload";
import type { State } from "../store";
import { counted } from "../units";
import { folding, section, table } from "./common";

const LEFT = 62;
const COLUMN = 32;
const BARS = 84;
const ROW = 15;
const TABLE_ROWS = 60;

const ROWS: [keyof Checkpoint & ("new" | "mended" | "lost" | "returned"), string, string][] = [
  ["new", "new", "+"],
  ["mended", "mended", "✔"],
  ["lost", "gone ¹", "?"],
  ["returned", "returned", "↺"],
];

export function trendSection(state: State, width: number): HTMLElement | null {
  const { trend } = state.review;
  if (trend.length === 0) return null;
  const room = Math.max(3, Math.floor((width - LEFT - 6) / COLUMN));
  const shown = trend.slice(-room);
  const rows = ROWS.filter(([key]) => key !== "lost" || shown.some((point) => point.lost > 0));
  return section(
    `From check to check (${trend.length})`,
    chart(shown, rows),
    h(
      "p", { class: "soft key" },
      h("span", { class: "patch violation", "aria-hidden": "true" }), " violations ", h("span", { class: "patch caution", "aria-hidden": "true" }), " cautions",
      shown.length < trend.length && ` · the newest ${shown.length} of ${trend.length} checks`,
      rows.length === ROWS.length && " · ¹ no longer found, but not shown to be mended",
    ),
    folding(
      "trend", "trend-table", "The same as a table",
      table(
        ["Checked", "Violations", "Cautions", "New", "Mended", "Gone ¹", "Returned"],
        [...trend].reverse().slice(0, TABLE_ROWS).map((p) => [
          `${p.made.slice(0, 10)}\n${p.made.slice(11, 16)}`, ...[p.violations, p.cautions, p.new, p.mended, p.lost, p.returned].map(String),
        ]),
        [1, 2, 3, 4, 5, 6],
      ),
      trend.length > TABLE_ROWS && h("p", { class: "soft" }, `${counted(trend.length - TABLE_ROWS, "older check")}: see the workbook of the report.`),
      h("p", { class: "soft" }, "Times are UTC. ¹ no longer found, but not shown to be mended."),
    ),
  );
}

function chart(points: Checkpoint[], rows: typeof ROWS): SVGElement {
  const wide = LEFT + points.length * COLUMN + 6;
  const high = 16 + BARS + 18 + rows.length * ROW + 4;
  const most = Math.max(1, ...points.map((p) => p.violations + p.cautions));
  const scale = BARS / most;
  const base = 16 + BARS;
  const last = points[points.length - 1];
  const label = `Findings at ${counted(points.length, "check")}, oldest first: ${points.map((p) => `${p.violations + p.cautions}`).join(", ")}. `
    + `The last one, ${moment(last.made)}: ${counted(last.violations, "violation")}, ${counted(last.cautions, "caution")}, ${last.new} new, ${last.mended} mended, ${last.returned} returned.`;
  return s(
    "svg", { class: "trend", role: "img", "aria-label": label, viewBox: `0 0 ${wide} ${high}`, width: wide, height: high },
    s("defs", {}, s("pattern", { id: "trend-hatch", width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, s("rect", { class: "hatch-back", width: 5, height: 5 }), s("rect", { class: "hatch-line", width: 2.5, height: 5 }))),
    s("line", { class: "axis", x1: LEFT - 4, x2: wide, y1: base, y2: base }),
    s("text", { class: "soft", x: LEFT - 8, y: base - BARS + 4, "text-anchor": "end" }, String(most)),
    s("text", { class: "soft", x: LEFT - 8, y: base + 3, "text-anchor": "end" }, "0"),
    rows.map(([, words], k) => s("text", { class: "soft", x: LEFT - 8, y: base + 18 + (k + 1) * ROW, "text-anchor": "end" }, words)),
    points.map((point, n) => {
      const x = LEFT + n * COLUMN;
      const [bad, warn] = [point.violations * scale, point.cautions * scale];
      const total = point.violations + point.cautions;
      return s(
        "g", {},
        s("title", {}, `${moment(point.made)}, ${point.rules}: ${counted(point.violations, "violation")}, ${counted(point.cautions, "caution")}; ${point.new} new, ${point.mended} mended, ${point.lost} gone without proof, ${point.returned} returned`),
        point.violations > 0 && s("rect", { class: "violation", x: x + 3, width: COLUMN - 8, y: base - bad, height: bad }),
        point.cautions > 0 && s("rect", { class: "caution", x: x + 3, width: COLUMN - 8, y: base - bad - warn, height: warn }),
        s("text", { class: "figure", x: x + COLUMN / 2 - 1, y: base - bad - warn - 3, "text-anchor": "middle" }, String(total)),
        point.made.slice(0, 10) !== points[n - 1]?.made.slice(0, 10) && s("text", { class: "soft day", x: x + COLUMN / 2 - 1, y: base + 13, "text-anchor": "middle" }, point.made.slice(5, 10)),
        rows.map(([key, , mark], k) => {
          const count = point[key];
          return s("text", { class: count > 0 ? `figure ${key}` : "soft", x: x + COLUMN / 2 - 1, y: base + 18 + (k + 1) * ROW, "text-anchor": "middle" }, count > 0 ? `${mark}${count}` : "·");
        }),
      );
    }),
  );
}
