/** Findings as numbered markers of constant size: merged where crowded, pale where something stands in front. */

import { outline } from "../words";
import type { Finding, Point } from "../payload";
import { type Crowd, crowds, type Spot } from "./crowding";
import { asideOf, overlap } from "./labels";
import { BOLD, type Box2, type Painter, SMALL } from "./paint";
import { SEVERITY_COLOURS, SEVERITY_SIZES } from "./palette";
import type { Projector } from "./sight";

const SIZE_PX = 20;
const CROWD_PX = 27;
const CROWDED_PX = 44; // where more than MOST would be drawn
const MOST = 240;
const SPRITE_PX = 44;

interface Look {
  check: string;
  shape: string;
  severity: Finding["severity"];
  half: number;
  pale: boolean;
  stacked: boolean;
  /** Ink about it: selected, or under the pointer. */
  strong: boolean;
}

interface Drawn {
  crowd: Crowd;
  half: number;
  x: number;
  y: number;
}

const DIGIT_PX = 7.5;

export class Markers {
  findings = new Map<string, Finding>();
  shapes: Record<string, { shape: string }> = {};
  shown = true;
  visible: ReadonlySet<string> | null = null;
  selected: string | null = null;
  hovered: string | null = null;
  /** Findings behind something solid. */
  behind: ReadonlySet<string> = new Set();
  /** While the view moves slowly: no numbers. */
  hasty = false;
  private readonly sprites = new Map<string, HTMLCanvasElement>();
  private drawn: Drawn[] = [];

  replace(findings: Finding[]): void {
    this.findings = new Map(findings.map((finding) => [finding.id, finding]));
  }

  /** What is drawn first of each marker: those worth asking whether they are behind something. */
  get drawnFirst(): Finding[] {
    return this.drawn.map(({ crowd }) => this.findings.get(crowd.keys[0])).filter((one) => one !== undefined);
  }

  arrange(view: Projector, keeps: (point: Point) => boolean): void {
    const spots: Spot[] = [];
    for (const finding of this.shown ? this.findings.values() : []) {
      const selected = finding.id === this.selected;
      if (finding.point_m === null || (this.visible !== null && !this.visible.has(finding.id) && !selected)) continue;
      if (!keeps(finding.point_m)) continue;
      const [x, y, depth] = view.project(finding.point_m);
      if (depth <= 0 || x < -20 || y < -20 || x > view.width + 20 || y > view.rows + 20) continue;
      spots.push({ x, y, rank: finding.number, alone: selected, key: finding.id });
    }
    const all = crowds(spots, CROWD_PX);
    this.drawn = (all.length > MOST ? crowds(spots, CROWDED_PX) : all).map((crowd) => {
      const finding = this.findings.get(crowd.keys[0]) as Finding;
      const selected = finding.id === this.selected;
      const half = (SIZE_PX / 2) * SEVERITY_SIZES[finding.severity] * (selected ? 1.25 : 1);
      return { crowd, half, x: crowd.x, y: crowd.y };
    });
  }

  private isSelected({ crowd }: Drawn): boolean {
    return crowd.keys[0] === this.selected;
  }

  private numberOf({ crowd: { keys } }: Drawn): string {
    return `${(this.findings.get(keys[0]) as Finding).number}${keys.length > 1 ? ` +${keys.length - 1}` : ""}`;
  }

  /** What a marker covers, its number included. */
  private boxOf(one: Drawn): Box2 {
    const { x, y, half } = one;
    const number = this.hasty ? 0 : 6 + DIGIT_PX * this.numberOf(one).length;
    return { left: x - half - 2, top: y - half - 2, right: x + half + number, bottom: y + half + 2 };
  }

  /** What all markers cover but the selected one. */
  boxes(): Box2[] {
    return this.drawn.filter((one) => !this.isSelected(one)).map((one) => this.boxOf(one));
  }

  /** The marker at a place of the window: its findings, worst first. */
  at(x: number, y: number): string[] {
    for (const { crowd, half, x: cx, y: cy } of this.drawn) {
      if (Math.abs(x - cx) <= half + 3 && Math.abs(y - cy) <= half + 3) return crowd.keys;
    }
    return [];
  }

  /** All but the selected one, and but those that would lie under `labels`. */
  draw(paint: Painter, labels: readonly Box2[]): void {
    // the worst last, so that it lies on top
    for (const one of [...this.drawn].reverse()) {
      if (this.isSelected(one)) continue;
      const box = this.boxOf(one);
      if (!labels.some((label) => overlap(label, box))) this.drawOne(one, paint);
    }
  }

  /** The selected one stands aside with a leader, so that what it points at can be seen, and covers no words. */
  drawSelected(paint: Painter): void {
    const { tones } = paint;
    for (const one of this.drawn) {
      if (!this.isSelected(one)) continue;
      const { crowd, half } = one;
      const number = 6 + paint.measure(this.numberOf(one), BOLD);
      const [x, y] = asideOf([crowd.x, crowd.y], half + 3, number, paint, paint.taken, paint.avoid);
      [one.x, one.y] = [x, y];
      const [dx, dy] = [x - crowd.x, y - crowd.y];
      const short = 1 - half / Math.hypot(dx, dy);
      paint.haloed([[crowd.x, crowd.y], [crowd.x + dx * short, crowd.y + dy * short]], tones.ink, 1.5);
      paint.disk(crowd.x, crowd.y, 2.5, tones.ink, tones.paper, 1);
      this.drawOne(one, paint);
      paint.taken.push({ left: x - half - 3, top: y - half - 3, right: x + half + number, bottom: y + half + 3 });
    }
  }

  private drawOne(one: Drawn, paint: Painter): void {
    const { ctx, tones } = paint;
    const { crowd, half, x, y } = one;
    const finding = this.findings.get(crowd.keys[0]) as Finding;
    const selected = this.isSelected(one);
    const pale = this.behind.has(finding.id) && !selected;
    const stacked = crowd.keys.length > 1;
    ctx.globalAlpha = pale ? 0.6 : 1;
    const strong = selected || this.hovered === finding.id;
    const shape = this.shapes[finding.check]?.shape ?? "";
    const sprite = this.sprite({ check: finding.check, shape, severity: finding.severity, half, pale, stacked, strong }, paint);
    ctx.drawImage(sprite, x - SPRITE_PX / 2, y - SPRITE_PX / 2, SPRITE_PX, SPRITE_PX);
    if (!this.hasty || strong) {
      paint.words(this.numberOf(one), x + half + (stacked ? 8 : 4), y, tones.ink, selected ? BOLD : SMALL, "left");
    }
    ctx.globalAlpha = 1;
  }

  /** The picture of a marker, made once for each look: hundreds of outlines a frame would take too long. */
  private sprite(look: Look, paint: Painter): HTMLCanvasElement {
    const ratio = paint.ctx.getTransform().a;
    const key = `${JSON.stringify(look)} ${paint.tones.paper} ${ratio}`;
    let made = this.sprites.get(key);
    if (made !== undefined) return made;
    made = document.createElement("canvas");
    made.width = Math.ceil(SPRITE_PX * ratio);
    made.height = made.width;
    const ctx = made.getContext("2d") as CanvasRenderingContext2D;
    ctx.scale(ratio, ratio);
    const path = new Path2D(outline(look.check, look.shape));
    const { half } = look;
    const tone = SEVERITY_COLOURS[look.severity];
    const shape = (dx: number, dy: number, fill: string, rim: string, width: number): void => {
      ctx.save();
      ctx.translate(SPRITE_PX / 2 - half + dx, SPRITE_PX / 2 - half + dy);
      ctx.scale(half / 8, half / 8);
      ctx.lineJoin = "round";
      ctx.lineWidth = ((width + 3) * 8) / half;
      ctx.strokeStyle = paint.tones.paper;
      ctx.stroke(path);
      ctx.fillStyle = fill;
      ctx.fill(path, "evenodd");
      ctx.lineWidth = (width * 8) / half;
      ctx.strokeStyle = rim;
      ctx.setLineDash(look.pale ? [2.4, 2] : []);
      ctx.stroke(path);
      ctx.restore();
    };
    if (look.stacked) shape(4, -4, paint.tones.paper, tone, 1.2);
    const filled = look.severity === "violation";
    const rim = look.strong || filled ? paint.tones.ink : tone;
    shape(0, 0, filled ? tone : paint.tones.paper, rim, look.strong ? 2.4 : filled ? 1 : 2);
    this.sprites.set(key, made);
    return made;
  }
}
