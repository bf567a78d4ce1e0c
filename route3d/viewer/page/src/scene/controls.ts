/** Pointer, wheel, touch and keys: first the tools are asked, then the view turns, shifts and zooms. */

import type { Point } from "../payload";
import { add, dot, scaled, sub } from "./line";
import type { Pointer, Tool } from "./ground";
import { shifted, turned, turnedTo, type View, zoomed } from "./sight";
import type { Stage } from "./stage";

const CLICK_PX = 4;
const TURN_PER_PX = 0.0062;
const DAMPING_MS = 110;
const DOUBLE_MS = 380;

export interface ControlEvents {
  /** A place in the model under the pointer, to turn about and to zoom to; null where there is none. */
  anchor(x: number, y: number): Point | null;
  click(at: Pointer, double: boolean): void;
  hover(at: Pointer | null): void;
  fit(): void;
  toggleProjection(): void;
}

type Action = "tool" | "turn" | "shift" | "none";

export class Controls {
  private readonly pointers = new Map<number, Pointer>();
  private action: Action = "none";
  private tool: Tool | null = null;
  private start: Pointer | null = null;
  private last: Pointer | null = null;
  private still = true;
  private pivot: Point = [0, 0, 0];
  private depth = 0;
  private speed: [number, number] = [0, 0];
  private lastMove = 0;
  private lastClick = { at: 0, x: 0, y: 0 };
  private pinch = 0;
  private coasting = 0;

  constructor(private readonly stage: Stage, private readonly tools: Tool[], private readonly on: ControlEvents) {
    const { canvas } = stage;
    canvas.addEventListener("pointerdown", (event) => this.down(event));
    canvas.addEventListener("pointermove", (event) => this.move(event));
    canvas.addEventListener("pointerup", (event) => this.up(event));
    canvas.addEventListener("pointercancel", (event) => this.up(event));
    canvas.addEventListener("pointerleave", () => { if (this.action === "none") on.hover(null); });
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
    canvas.addEventListener("keydown", (event) => this.key(event));
  }

  private place(event: MouseEvent): Pointer {
    const box = this.stage.canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top, shift: event.shiftKey, alt: event.altKey, control: event.ctrlKey || event.metaKey };
  }

  private down(event: PointerEvent): void {
    const at = this.place(event);
    this.stage.canvas.setPointerCapture(event.pointerId);
    this.stage.canvas.focus({ preventScroll: true });
    this.stopCoasting();
    this.pointers.set(event.pointerId, at);
    if (this.pointers.size === 2) {
      if (this.action === "tool") this.tool?.up?.(at);
      this.action = "none";
      this.still = false;
      this.pinch = this.spread();
      this.last = this.middle();
      return;
    }
    this.start = at;
    this.last = at;
    this.still = true;
    this.speed = [0, 0];
    if (event.button === 0) {
      this.tool = this.tools.find((tool) => tool.down?.(at)) ?? null;
      this.action = this.tool !== null ? "tool" : at.shift ? "shift" : "turn";
    } else this.action = "shift";
    if (this.action === "tool") return;
    const anchor = this.on.anchor(at.x, at.y);
    this.pivot = anchor ?? this.stage.sight.target;
    this.depth = -dot(sub(this.pivot, this.stage.sight.target), this.stage.view.axes.toward);
    event.preventDefault();
  }

  private move(event: PointerEvent): void {
    const at = this.place(event);
    if (!this.pointers.has(event.pointerId)) {
      this.on.hover(at);
      return;
    }
    this.pointers.set(event.pointerId, at);
    if (this.pointers.size >= 2) {
      this.pinched();
      return;
    }
    const last = this.last ?? at;
    if (this.still && this.start && Math.hypot(at.x - this.start.x, at.y - this.start.y) < CLICK_PX) return;
    this.still = false;
    const [dx, dy] = [at.x - last.x, at.y - last.y];
    const now = performance.now();
    const share = Math.min((now - this.lastMove) / 50, 1);
    this.speed = [this.speed[0] * (1 - share) + (dx / Math.max(now - this.lastMove, 1)) * share, this.speed[1] * (1 - share) + (dy / Math.max(now - this.lastMove, 1)) * share];
    this.lastMove = now;
    this.last = at;
    if (this.action === "tool") this.tool?.drag?.(at);
    else if (this.action === "turn") this.turn(dx, dy);
    else if (this.action === "shift") this.stage.look(shifted(this.stage.sight, dx, dy, this.stage.height, this.depth));
  }

  private turn(dx: number, dy: number): void {
    this.stage.look(turned(this.stage.sight, this.pivot, -dx * TURN_PER_PX, dy * TURN_PER_PX));
  }

  private up(event: PointerEvent): void {
    const at = this.place(event);
    const had = this.pointers.delete(event.pointerId);
    if (!had) return;
    if (this.pointers.size > 0) {
      this.last = [...this.pointers.values()][0];
      this.action = "none";
      return;
    }
    const { action } = this;
    this.action = "none";
    if (action === "tool") this.tool?.up?.(at);
    if (this.still && event.type === "pointerup" && event.button === 0 && action !== "tool") {
      const now = performance.now();
      const double = now - this.lastClick.at < DOUBLE_MS && Math.hypot(at.x - this.lastClick.x, at.y - this.lastClick.y) < 6;
      this.lastClick = { at: double ? 0 : now, x: at.x, y: at.y };
      if (!this.tools.some((tool) => tool.click?.(at, double))) this.on.click(at, double);
    } else if (action === "turn" && performance.now() - this.lastMove < 60) this.coast();
  }

  /** What was turned goes on turning for a moment. */
  private coast(): void {
    if (this.stage.software || matchMedia("(prefers-reduced-motion: reduce)").matches) return;
    let before = performance.now();
    const step = (now: number): void => {
      const ms = Math.min(now - before, 50);
      before = now;
      const left = Math.exp(-ms / DAMPING_MS);
      this.turn(this.speed[0] * ms, this.speed[1] * ms);
      this.speed = [this.speed[0] * left, this.speed[1] * left];
      this.coasting = Math.hypot(...this.speed) > 0.02 ? requestAnimationFrame(step) : 0;
    };
    this.coasting = requestAnimationFrame(step);
  }

  private stopCoasting(): void {
    cancelAnimationFrame(this.coasting);
    this.coasting = 0;
  }

  private spread(): number {
    const [a, b] = [...this.pointers.values()];
    return Math.max(Math.hypot(a.x - b.x, a.y - b.y), 1);
  }

  private middle(): Pointer {
    const [a, b] = [...this.pointers.values()];
    return { ...a, x: (a.x + b.x) / 2, y: (a.y + b.y) / 2 };
  }

  private pinched(): void {
    const middle = this.middle();
    const spread = this.spread();
    const last = this.last ?? middle;
    let sight = shifted(this.stage.sight, middle.x - last.x, middle.y - last.y, this.stage.height);
    sight = zoomed(sight, this.under(middle.x, middle.y), this.pinch / spread);
    this.pinch = spread;
    this.last = middle;
    this.stage.look(sight);
  }

  /** The place under the pointer: on a surface, else as far away as the middle of the picture. */
  private under(x: number, y: number): Point {
    const anchor = this.on.anchor(x, y);
    if (anchor !== null) return anchor;
    const { view, sight } = this.stage;
    const ray = view.ray(x, y);
    const along = dot(sub(sight.target, ray.from), view.axes.toward) / dot(ray.direction, view.axes.toward);
    return add(ray.from, scaled(ray.direction, along));
  }

  private wheel(event: WheelEvent): void {
    event.preventDefault();
    this.stopCoasting();
    const at = this.place(event);
    const lines = event.deltaMode === 1 ? event.deltaY * 33 : event.deltaMode === 2 ? event.deltaY * 400 : event.deltaY;
    const factor = Math.exp(Math.min(Math.max(lines, -240), 240) * (event.ctrlKey ? 0.006 : 0.0016));
    this.stage.look(zoomed(this.stage.sight, this.under(at.x, at.y), factor));
  }

  private key(event: KeyboardEvent): void {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { stage } = this;
    const done = this.tools.some((tool) => tool.key?.(event.key, event.shiftKey)) || this.viewKey(event.key, event.shiftKey);
    if (!done) return;
    event.preventDefault();
    event.stopPropagation();
    stage.redraw();
  }

  private viewKey(key: string, shift: boolean): boolean {
    const { stage } = this;
    const arrows: Record<string, [number, number]> = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const views: Record<string, View> = { "1": "plan", "2": "front", "3": "side", "4": "iso" };
    if (key in arrows) {
      const [x, y] = arrows[key];
      stage.look(shift ? shifted(stage.sight, -x * 40, -y * 40, stage.height) : turned(stage.sight, stage.sight.target, x * 0.13, -y * 0.13));
    } else if (key === "+" || key === "=") stage.look(zoomed(stage.sight, stage.sight.target, 0.8));
    else if (key === "-") stage.look(zoomed(stage.sight, stage.sight.target, 1.25));
    else if (key in views) stage.fly(turnedTo(stage.sight, views[key]));
    else if (key === "0") this.on.fit();
    else if (key === "p" || key === "P") this.on.toggleProjection();
    else return false;
    return true;
  }
}
