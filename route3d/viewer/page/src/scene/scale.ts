/** A scale in the corner, with legs along the building's axes: a picture without a length is no drawing. */

import type { LengthUnit, Point } from "../payload";
import { type Lengths, METRES } from "../units";
import { type Box2, type Painter, SMALL, type Spot2 } from "./paint";
import type { Projector } from "./sight";

const AXES: [string, Point][] = [["x", [1, 0, 0]], ["y", [0, 1, 0]], ["z", [0, 0, 1]]];

/** The largest of 1, 2, 5 times a power of ten that is not longer, in a unit. */
export function roundLength(metres: number, unit: LengthUnit): number {
  const value = metres / METRES[unit];
  const power = 10 ** Math.floor(Math.log10(value));
  const lead = value / power;
  return (lead >= 5 ? 5 : lead >= 2 ? 2 : 1) * power * METRES[unit];
}

/** A round length in a unit of the project; long ones and short ones in metres and millimetres, as lengths are shown. */
export function scaleWords(length: number, unit: LengthUnit): string {
  const shown: LengthUnit = unit === "m" && length < 0.9995 ? "mm" : unit === "mm" && length > 9.9995 ? "m" : unit;
  return `${Number((length / METRES[shown]).toPrecision(1))} ${shown}`;
}

/** What the scale covers, its legs along the axes included. */
export function scaleBox(paint: Painter): Box2 {
  return { left: 0, top: paint.height - 128, right: 175, bottom: paint.height };
}

export function drawScale(paint: Painter, view: Projector, lengths: Lengths): void {
  const { tones } = paint;
  const pixel = view.sight.height / view.rows;
  const unit: LengthUnit = lengths.imperial ? (110 * pixel > 0.3048 ? "ft" : "in") : "m";
  const length = roundLength(110 * pixel, unit);
  const wide = length / pixel;
  const [x, y] = [20, paint.height - 22];
  paint.haloed([[x, y], [x + wide, y]], tones.ink, 2);
  for (const end of [x, x + wide]) paint.haloed([[end, y - 5], [end, y + 5]], tones.ink, 2);
  const about = view.sight.projection === "perspective" ? " in mid-picture" : "";
  paint.words(`${scaleWords(length, lengths.imperial ? unit : lengths.unit)}${about}`, x, y - 14, tones.ink, SMALL, "left");
  const middle: Spot2 = [x + 34, y - 66];
  const { right, up, toward } = view.axes;
  const legs = AXES.map(([name, axis]) => ({
    name,
    to: [axis[0] * right[0] + axis[1] * right[1] + axis[2] * right[2], -(axis[0] * up[0] + axis[1] * up[1] + axis[2] * up[2])],
    near: axis[0] * toward[0] + axis[1] * toward[1] + axis[2] * toward[2],
  })).sort((a, b) => a.near - b.near);
  for (const { name, to } of legs) {
    const [dx, dy] = [to[0] * 26, to[1] * 26];
    if (Math.hypot(dx, dy) < 5) continue;
    paint.haloed([middle, [middle[0] + dx, middle[1] + dy]], tones.ink, 2);
    paint.words(name, middle[0] + dx * 1.36, middle[1] + dy * 1.36, tones.ink, SMALL);
  }
}
