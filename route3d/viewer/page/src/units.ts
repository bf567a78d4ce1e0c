/** Lengths as people read and write them; metres everywhere else. */

import type { LengthUnit, Point } from "./payload";

export const METRES: Record<LengthUnit, number> = { mm: 0.001, cm: 0.01, m: 1, in: 0.0254, ft: 0.3048 };

/** How lengths are shown and typed, in the unit of the project. */
export class Lengths {
  readonly unit: LengthUnit;
  readonly imperial: boolean;

  constructor(unit: LengthUnit) {
    this.unit = unit;
    this.imperial = unit === "in" || unit === "ft";
  }

  /** A gap, a radius, a span: with its unit, and as many digits as one can measure. */
  show(metres: number): string {
    return this.imperial ? feetInches(metres) : metric(metres, this.unit);
  }

  /** The same in the other system, for a tooltip. */
  other(metres: number): string {
    return this.imperial ? metric(metres, "mm") : feetInches(metres);
  }

  both(metres: number): string {
    return `${this.show(metres)} (${this.other(metres)})`;
  }

  /** A number for an input field, to a tenth of a millimetre, without the unit. */
  typed(metres: number): string {
    const digits = { mm: 1, cm: 2, m: 4, in: 3, ft: 4 }[this.unit];
    return tidy((metres / METRES[this.unit]).toFixed(digits));
  }

  /** Read what a person typed: a number in the project's unit, or with a unit (`2.5 m`, `7 ft 6 in`, `1-1/2 in`). */
  read(text: string): number | null {
    return readLength(text, this.unit);
  }

  /** A place in the common frame; `origin_m` is added back before anything is rounded. */
  place(point: Point, origin: Point): string {
    return point.map((value, axis) => this.typed(value + (origin[axis] ?? 0))).join(", ") + ` ${this.unit}`;
  }
}

function tidy(text: string): string {
  const short = text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
  return short === "-0" ? "0" : short;
}

/** Millimetres below 1 m (10 m in projects of mm), else metres. */
function metric(metres: number, unit: LengthUnit): string {
  const size = Math.abs(metres);
  if (unit === "cm") return `${fixed(metres * 100, size < 10 ? 2 : 1)} cm`;
  if (size < (unit === "m" ? 0.9995 : 9.9995)) return `${fixed(metres * 1000, size < 0.99995 ? 1 : 0)} mm`;
  return `${fixed(metres, size < 99.9995 ? 3 : 2)} m`;
}

/** Halves go away from zero, as they look on the screen; a plain toFixed rounds the binary number below them down. */
function fixed(value: number, digits: number): string {
  const text = (value + Math.sign(value) * 1e-7).toFixed(digits);
  return /^-0(\.0*)?$/.test(text) ? text.slice(1) : text;
}

/** Feet and inches to the nearest sixteenth, as a tape shows it. */
export function feetInches(metres: number): string {
  const sixteenths = Math.round((Math.abs(metres) / METRES.in) * 16);
  const feet = Math.floor(sixteenths / 192);
  const inches = Math.floor((sixteenths % 192) / 16);
  let part = sixteenths % 16;
  let of = 16;
  while (part > 0 && part % 2 === 0) {
    part /= 2;
    of /= 2;
  }
  const fraction = part > 0 ? `${part}/${of}` : "";
  // behind feet the whole inches are always said: "5 ft 1/16 in" reads like a slip
  const small = [inches > 0 || feet > 0 || fraction === "" ? String(inches) : "", fraction].filter((t) => t !== "").join("-");
  const sign = metres < 0 && sixteenths > 0 ? "-" : "";
  return sign + (feet > 0 ? `${feet} ft ${small} in` : `${small} in`);
}

const PART = /^(?:(?:(\d+)[ -])?(\d+\/[1-9]\d*)|(\d*\.?\d+|\d+\.))\s*(mm|cm|m|in|ft|"|')?\s*/;

/** Return metres, or null where the text is no length. A decimal comma counts as a point. */
export function readLength(text: string, unit: LengthUnit): number | null {
  let rest = text.trim().replace(/^\u2212/, "-");
  const negative = rest.startsWith("-");
  rest = rest.replace(/^[+-]\s*/, "").replace(/^(\d+),(\d+)(?=$|\s|[a-z])/, "$1.$2");
  if (rest === "") return null;
  let total = 0;
  let last = Number.POSITIVE_INFINITY;
  let parts = 0;
  while (rest !== "") {
    const found = PART.exec(rest);
    if (found === null || parts === 2) return null;
    const [whole, lead, fraction, plain, said] = found;
    if (said === undefined && (parts > 0 || whole.length < rest.length)) return null;
    const name = said === '"' ? "in" : said === "'" ? "ft" : ((said ?? unit) as LengthUnit);
    if (METRES[name] >= last) return null; // 6 in 7 ft
    const [top, bottom] = (fraction ?? plain ?? "").split("/");
    const value = Number(top) / (bottom === undefined ? 1 : Number(bottom)) + Number(lead ?? 0);
    if (!Number.isFinite(value)) return null;
    total += value * METRES[name];
    last = METRES[name];
    rest = rest.slice(whole.length);
    parts += 1;
  }
  return negative ? -total : total;
}

/** One of "1 run", "2 runs". */
export function counted(count: number, one: string, many = `${one}s`): string {
  return `${count.toLocaleString("en").replaceAll(",", "\u202f")} ${count === 1 ? one : many}`;
}
