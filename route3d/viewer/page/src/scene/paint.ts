/** Strokes and words on the canvas over the picture. All places are in CSS pixels. */

import { beside, overlap } from "./labels";
import type { Tones } from "./palette";

export type Spot2 = [number, number];

export const FONT = "13px system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif";
export const BOLD = "600 13px system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif";
export const SMALL = "12px system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif";

export interface Box2 {
  left: number;
  top: number;
  right: number;
  bottom: number;
}

export class Painter {
  /** Boxes of words already written, so that others keep away from them. */
  taken: Box2[] = [];
  /** Boxes that words had better not cover: markers, measured lines. */
  avoid: Box2[] = [];

  constructor(readonly ctx: CanvasRenderingContext2D, readonly width: number, readonly height: number, readonly tones: Tones) {}

  line(points: Spot2[], colour: string, width = 1.5, dash: number[] = []): void {
    const good = points.filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y));
    if (good.length < 2) return;
    const { ctx } = this;
    ctx.beginPath();
    good.forEach(([x, y], k) => (k === 0 ? ctx.moveTo(x, y) : ctx.lineTo(x, y)));
    ctx.setLineDash(dash);
    ctx.lineWidth = width;
    ctx.strokeStyle = colour;
    ctx.lineJoin = "round";
    ctx.stroke();
    ctx.setLineDash([]);
  }

  /** A line with paper beside it, so that it stands out from whatever it crosses. */
  haloed(points: Spot2[], colour: string, width = 2, dash: number[] = []): void {
    this.line(points, this.tones.paper, width + 2.5);
    this.line(points, colour, width, dash);
  }

  /** Short strokes across both ends of a polyline. */
  ticks(points: Spot2[], colour: string): void {
    const good = points.filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y));
    if (good.length < 2) return;
    for (const [end, inner] of [[good[0], good[1]], [good[good.length - 1], good[good.length - 2]]]) {
      const length = Math.hypot(end[0] - inner[0], end[1] - inner[1]);
      const [x, y] = length > 1e-6 ? [(end[0] - inner[0]) / length, (end[1] - inner[1]) / length] : [1, 0];
      this.haloed([[end[0] - y * 6, end[1] + x * 6], [end[0] + y * 6, end[1] - x * 6]], colour, 2);
    }
  }

  /** A line moved aside by so many pixels, as a dimension is. */
  moved(points: Spot2[], pixels: number): Spot2[] {
    const [x, y] = asideWay(points);
    return points.map(([px, py]): Spot2 => [px + x * pixels, py + y * pixels]);
  }

  /** Witness lines from the ends of a line to where it is moved aside. */
  witness(points: Spot2[], pixels: number, colour: string): void {
    const [x, y] = asideWay(points);
    for (const end of [points[0], points[points.length - 1]]) {
      if (end !== undefined) this.line([end, [end[0] + x * (pixels + 6), end[1] + y * (pixels + 6)]], colour, 1);
    }
  }

  square(x: number, y: number, half: number, fill: string, rim: string, width = 1.5): void {
    this.ctx.beginPath();
    this.ctx.rect(x - half, y - half, half * 2, half * 2);
    this.filled(fill, rim, width);
  }

  disk(x: number, y: number, radius: number, fill: string, rim: string, width = 1.5): void {
    this.ctx.beginPath();
    this.ctx.arc(x, y, radius, 0, Math.PI * 2);
    this.filled(fill, rim, width);
  }

  diamond(x: number, y: number, half: number, fill: string, rim: string, width = 1.5): void {
    const { ctx } = this;
    ctx.beginPath();
    ctx.moveTo(x, y - half);
    ctx.lineTo(x + half, y);
    ctx.lineTo(x, y + half);
    ctx.lineTo(x - half, y);
    ctx.closePath();
    this.filled(fill, rim, width);
  }

  private filled(fill: string, rim: string, width: number): void {
    this.ctx.fillStyle = fill;
    this.ctx.fill();
    this.ctx.lineWidth = width;
    this.ctx.strokeStyle = rim;
    this.ctx.stroke();
  }

  measure(words: string, font = FONT): number {
    this.ctx.font = font;
    return this.ctx.measureText(words).width;
  }

  /** Words with a halo, their middle at (x, y) or their left end there. */
  words(text: string, x: number, y: number, colour: string, font = FONT, align: CanvasTextAlign = "center"): void {
    const { ctx } = this;
    ctx.font = font;
    ctx.textAlign = align;
    ctx.textBaseline = "middle";
    ctx.lineWidth = 4;
    ctx.lineJoin = "round";
    ctx.strokeStyle = this.tones.paper;
    ctx.strokeText(text, x, y);
    ctx.fillStyle = colour;
    ctx.fillText(text, x, y);
  }

  /** Words on paper with a rim. */
  label(text: string, x: number, y: number, colour: string, font = BOLD): Box2 {
    const width = this.measure(text, font) + 12;
    const box = { left: x - width / 2, top: y - 11, right: x + width / 2, bottom: y + 11 };
    const { ctx } = this;
    ctx.globalAlpha *= 0.94;
    ctx.beginPath();
    ctx.rect(box.left, box.top, width, 22);
    this.filled(this.tones.paper, colour, 1);
    ctx.globalAlpha = 1;
    ctx.font = font;
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    ctx.fillStyle = this.tones.ink;
    ctx.fillText(text, x, y + 0.5);
    this.taken.push(box);
    return box;
  }

  /** A label beside the middle of a line, where it covers no other words and stays in the window. */
  labelBeside(text: string, points: Spot2[], colour: string): void {
    const place = this.placeBeside(text, points);
    if (place !== null) this.label(text, place[0], place[1], colour);
  }

  /** Where such a label goes; null where its line is out of the window. */
  placeBeside(text: string, points: Spot2[]): Spot2 | null {
    const good = points.filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y));
    if (good.length === 0) return null;
    const inside = good.filter(([x, y]) => x > 0 && x < this.width && y > 0 && y < this.height);
    const [a, b] = [good[0], good[good.length - 1]];
    if (inside.length === 0) {
      if (Math.max(a[0], b[0]) < 0 || Math.min(a[0], b[0]) > this.width || Math.max(a[1], b[1]) < 0 || Math.min(a[1], b[1]) > this.height) return null;
    }
    const middle: Spot2 = good.length > 2 ? (inside[inside.length >> 1] ?? good[good.length >> 1]) : [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
    const along: Spot2 = length > 1e-6 ? [(b[0] - a[0]) / length, (b[1] - a[1]) / length] : [1, 0];
    return beside(middle, along, this.halfOf(text), this, this.taken, this.avoid);
  }

  /** Half the size of the paper of a label. */
  halfOf(text: string): Spot2 {
    return [this.measure(text, BOLD) / 2 + 6, 11];
  }

  covers(box: Box2): boolean {
    return this.taken.some((other) => overlap(box, other));
  }
}

/** Square to a line, downward. */
function asideWay(points: Spot2[]): Spot2 {
  const good = points.filter(([x, y]) => Number.isFinite(x) && Number.isFinite(y));
  if (good.length < 2) return [0, 1];
  const [a, b] = [good[0], good[good.length - 1]];
  const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
  const [x, y] = length > 1e-6 ? [-(b[1] - a[1]) / length, (b[0] - a[0]) / length] : [0, 1];
  return y < 0 ? [-x, -y] : [x, y];
}
