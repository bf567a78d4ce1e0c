/** A section by a plane square to an axis, and a slice between two heights: what is cut off, and the handles. */

import { BufferAttribute, BufferGeometry, LineSegments, Plane, Vector3 } from "three";
import type { Point } from "../payload";
import type { BuildingLayer } from "./building";
import { onAxis } from "./drag";
import { type Ground, near, type Pointer, type Tool } from "./ground";
import type { Painter, Spot2 } from "./paint";
import { partOf } from "./ranges";
import { lineMaterial } from "./shaders";

export interface Section {
  axis: "x" | "y" | "z";
  at_m: number;
  /** Which side stays: low is the side of smaller coordinates. */
  keep: "low" | "high";
}

/** Between two heights; null leaves that side open. */
export interface Slice {
  low_m: number | null;
  high_m: number | null;
}

const AXES = { x: 0, y: 1, z: 2 };
const MOST_LINES = 300_000;
const INSIDE_M = 4e-4; // cut lines lie this far inside, so that the plane does not cut them off too

interface Cut {
  axis: number;
  at: number;
  /** +1: what is larger stays. */
  sign: number;
}

interface Handle {
  which: "section" | "low" | "high";
  axis: number;
  point: Point;
}

export class SectionTool implements Tool {
  section: Section | null = null;
  slice: Slice | null = null;
  /** Shared by all materials; its length changes with the number of cuts. */
  readonly planes: Plane[] = [];
  readonly lines = new LineSegments(new BufferGeometry());
  private held: { handle: Handle; offset: number } | null = null;

  constructor(
    private readonly ground: Ground, private readonly bounds: () => { low: Point; high: Point },
    private readonly tell: (what: "section" | "slice") => void, ink: string,
  ) {
    this.lines.frustumCulled = false;
    this.setInk(ink);
  }

  setInk(ink: string): void {
    this.lines.material = lineMaterial(ink, 1, this.planes);
  }

  private cuts(): Cut[] {
    const made: Cut[] = [];
    if (this.section) made.push({ axis: AXES[this.section.axis], at: this.section.at_m, sign: this.section.keep === "high" ? 1 : -1 });
    if (this.slice && this.slice.low_m !== null) made.push({ axis: 2, at: this.slice.low_m, sign: 1 });
    if (this.slice && this.slice.high_m !== null) made.push({ axis: 2, at: this.slice.high_m, sign: -1 });
    return made;
  }

  setSection(section: Section | null): void {
    this.section = section;
    this.changed();
  }

  setSlice(slice: Slice | null): void {
    const upside = slice !== null && slice.low_m !== null && slice.high_m !== null && slice.low_m > slice.high_m;
    this.slice = upside ? { low_m: slice.high_m, high_m: slice.low_m } : slice;
    this.changed();
  }

  private changed(): void {
    const cuts = this.cuts();
    this.planes.length = 0;
    for (const { axis, at, sign } of cuts) {
      const normal = new Vector3().setComponent(axis, sign);
      this.planes.push(new Plane(normal, -sign * at));
    }
    this.lines.visible = false;
    this.ground.redraw(true);
  }

  /** Whether a place is on the side that stays. */
  keeps(point: Point, beside = 0): boolean {
    return this.cuts().every(({ axis, at, sign }) => (point[axis] - at) * sign >= -beside);
  }

  /** Draw the outlines of what is cut; exact, from the triangles that the planes pass through. */
  outline(layer: BuildingLayer): void {
    const found: number[] = [];
    for (const { axis, at, sign } of layer.tree === null ? [] : this.cuts()) {
      const name = (["x", "y", "z"] as const)[axis];
      layer.tree?.shapecast({
        intersectsBounds: (box) => box.min[name] <= at && box.max[name] >= at && found.length < MOST_LINES * 6,
        intersectsTriangle: (triangle, index) => {
          const corners = [triangle.a, triangle.b, triangle.c];
          const away = corners.map((corner) => corner[name] - at);
          if (Math.min(...away) > 0 || Math.max(...away) < 0 || Math.max(...away) - Math.min(...away) < 1e-9) return false;
          if (!layer.visibleAt(partOf(layer.starts, index))) return false;
          const ends: Vector3[] = [];
          for (let k = 0; k < 3 && ends.length < 2; k += 1) {
            const l = (k + 1) % 3;
            if (away[k] >= 0 !== away[l] >= 0) ends.push(corners[k].clone().lerp(corners[l], away[k] / (away[k] - away[l])));
          }
          if (ends.length === 2) for (const end of ends) found.push(...end.setComponent(axis, at + sign * INSIDE_M).toArray());
          return false;
        },
      });
    }
    this.lines.geometry.dispose();
    this.lines.geometry = new BufferGeometry().setAttribute("position", new BufferAttribute(Float32Array.from(found), 3));
    this.lines.visible = found.length > 0;
  }

  private handles(): Handle[] {
    const { low, high } = this.bounds();
    const middle = [0, 1, 2].map((k) => (low[k] + high[k]) / 2) as Point;
    const out = this.ground.view.axes.toward;
    const made: Handle[] = [];
    if (this.section) {
      const axis = AXES[this.section.axis];
      const point = middle.slice() as Point;
      point[axis] = this.section.at_m;
      // at the rim that is nearest to the viewer, or at the top
      if (axis === 2) for (const k of [0, 1]) point[k] = out[k] > 0 ? high[k] : low[k];
      else {
        const other = 1 - axis;
        point[other] = Math.abs(out[2]) > 0.9 ? low[other] : out[other] > 0 ? high[other] : low[other];
        point[2] = high[2];
      }
      made.push({ which: "section", axis, point });
    }
    if (this.slice) {
      // on an upright edge of the whole that is at the side of the picture
      const right = this.ground.view.axes.right;
      const x = right[0] > 0 ? high[0] : low[0];
      const y = right[1] > 0 ? high[1] : low[1];
      if (this.slice.low_m !== null) made.push({ which: "low", axis: 2, point: [x, y, this.slice.low_m] });
      if (this.slice.high_m !== null) made.push({ which: "high", axis: 2, point: [x, y, this.slice.high_m] });
    }
    return made;
  }

  private at(x: number, y: number): Handle | null {
    return this.handles().find((handle) => near(x, y, this.seen(handle), 14)) ?? null;
  }

  /** Where a handle is drawn: where it is, but never outside of the window. */
  private seen(handle: Handle): [number, number, number] {
    const { view } = this.ground;
    const [x, y, depth] = view.project(handle.point);
    return [Math.min(Math.max(x, 24), view.width - 130), Math.min(Math.max(y, 24), view.rows - 40), depth];
  }

  down(at: Pointer): boolean {
    const handle = this.at(at.x, at.y);
    if (handle === null) return false;
    const on = this.along(handle, at);
    if (on === null) return false;
    this.held = { handle, offset: handle.point[handle.axis] - on };
    return true;
  }

  private along(handle: Handle, at: Pointer): number | null {
    const direction: Point = [0, 0, 0];
    direction[handle.axis] = 1;
    return onAxis(this.ground.view.ray(at.x, at.y), handle.point, direction)?.[handle.axis] ?? null;
  }

  drag(at: Pointer): void {
    if (this.held === null) return;
    const { handle, offset } = this.held;
    const on = this.along(handle, at);
    if (on === null) return;
    const { low, high } = this.bounds();
    const value = Math.min(Math.max(on + offset, low[handle.axis]), high[handle.axis]);
    if (handle.which === "section" && this.section) {
      this.section = { ...this.section, at_m: value };
      this.tell("section");
    } else if (this.slice) {
      this.slice = handle.which === "low"
        ? { low_m: Math.min(value, this.slice.high_m ?? value), high_m: this.slice.high_m }
        : { low_m: this.slice.low_m, high_m: Math.max(value, this.slice.low_m ?? value) };
      this.tell("slice");
    }
    this.changed();
  }

  up(): void {
    this.held = null;
    this.ground.redraw(true);
  }

  hover(at: Pointer): string | null {
    return this.at(at.x, at.y) === null ? null : "move";
  }

  draw(paint: Painter): void {
    const { view, tones, lengths } = this.ground;
    const { low, high } = this.bounds();
    for (const { axis, at } of this.cuts()) {
      const [p, q] = [0, 1, 2].filter((k) => k !== axis);
      const rim = [[low, low], [high, low], [high, high], [low, high], [low, low]].map(([a, b]) => {
        const point: Point = [0, 0, 0];
        point[axis] = at;
        point[p] = a[p];
        point[q] = b[q];
        return view.project(point).slice(0, 2) as Spot2;
      });
      // dash and dot: a cutting plane
      paint.line(rim, tones.focus, 1.2, [14, 4, 2, 4]);
    }
    for (const handle of this.handles()) {
      const [x, y, depth] = this.seen(handle);
      if (depth <= 0) continue;
      paint.square(x, y, 8, this.held?.handle.which === handle.which ? tones.focus : tones.paper, tones.focus, 2);
      const direction: Point = handle.point.slice() as Point;
      direction[handle.axis] += view.pixelAt(handle.point) * 30;
      const [tx, ty] = view.project(direction);
      const [fx, fy] = view.project(handle.point);
      const length = Math.hypot(tx - fx, ty - fy);
      if (length > 6) {
        const [ux, uy] = [(tx - fx) / length, (ty - fy) / length];
        for (const sign of [1, -1]) {
          paint.line([[x + sign * ux * 10 - uy * 4, y + sign * uy * 10 + ux * 4], [x + sign * ux * 16, y + sign * uy * 16], [x + sign * ux * 10 + uy * 4, y + sign * uy * 10 - ux * 4]], tones.focus, 2);
        }
      }
      const words = `${"xyz"[handle.axis]} ${lengths.show(handle.point[handle.axis] + this.origin[handle.axis])}`;
      paint.label(words, x + 22 + paint.measure(words) / 2, y, tones.focus);
    }
  }

  /** Added to what is shown, so that true coordinates are read. */
  origin: Point = [0, 0, 0];
}
