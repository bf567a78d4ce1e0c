/** Runs as tubes with their marks: all of them in one tube mesh, those that are being changed in a second one. */

import {
  BoxGeometry, BufferAttribute, BufferGeometry, CylinderGeometry, DataTexture, Group, InstancedBufferAttribute,
  InstancedBufferGeometry, Mesh, NearestFilter, OctahedronGeometry, type Plane, RGBAFormat, type ShaderMaterial, TorusGeometry,
  UnsignedByteType,
} from "three";
import type { Point, Run } from "../payload";
import { anyAcross, cross, type Line, lineOf, pointAt, tangentAt, unit } from "./line";
import { VERDICT_COLOURS } from "./palette";
import type { Pickable } from "./picking";
import type { Projector } from "./sight";
import { markMaterial, tubeMaterial } from "./shaders";
import { thinned, type TubeData, type TubePart, tubes } from "./tubes";

const UNKNOWN_RADIUS_M = 0.005; // drawn for a cable whose diameter nobody states
export const LEAST_PIXELS = 3.6; // a run never gets thinner
const BEHIND_OPACITY = 0.4; // of a run where something stands before it
const PATTERNS = { pass: 0, fail: 1, unchecked: 2 };
const APART_MOST = 48; // changed runs drawn apart before all are joined anew
const MOVING_MARKS = 1500; // with more, marks on runs are left out while the view moves slowly
const NEAR_MOST = 40; // runs drawn with every chord of theirs, where they are seen closely
const NEAR_PIXELS = 5; // so thick
const FAR_TOLERANCE_M = 0.0015; // of the chords of all others: less than a pixel where they are not near

/** Sizes in radii of the cable as drawn; z lies along it. The same shapes as in the pictures. */
const MARKS: Record<string, () => BufferGeometry> = {
  strap: () => new BoxGeometry(4.2, 2.6, 1.4),
  hanger: () => new TorusGeometry(1.9, 0.4, 6, 16),
  framing: () => new OctahedronGeometry(1.9),
  box: () => new BoxGeometry(3.8, 3.8, 3.8),
  cabinet: () => new BoxGeometry(4.6, 4.6, 4.6),
  fitting: () => new BoxGeometry(3.4, 3.4, 3.4),
  luminaire: () => new CylinderGeometry(2.6, 2.6, 1.2, 16).rotateX(Math.PI / 2),
  equipment: () => new CylinderGeometry(2, 2, 4, 16).rotateX(Math.PI / 2),
  "flexible-equipment": () => new CylinderGeometry(2, 2, 4, 16).rotateX(Math.PI / 2),
  open: () => new TorusGeometry(2.1, 0.5, 6, 16),
};

export function lineOfRun(run: Run): Line {
  if (run.line_m.length > 1 && run.line_m.length === run.line_at_m.length) return { points: run.line_m, at: run.line_at_m };
  return lineOf(run.line_m.length > 1 ? run.line_m : run.corners_m);
}

export function pickable(run: Run): Pickable {
  const line = lineOfRun(run);
  const radius_m = run.radius_m ?? UNKNOWN_RADIUS_M;
  const low: Point = [Infinity, Infinity, Infinity];
  const high: Point = [-Infinity, -Infinity, -Infinity];
  for (const point of line.points) {
    for (let k = 0; k < 3; k += 1) {
      low[k] = Math.min(low[k], point[k] - radius_m);
      high[k] = Math.max(high[k], point[k] + radius_m);
    }
  }
  return { run, line, radius_m, low, high };
}

/** Geometry for the tube material. */
export function tubeGeometry(data: TubeData): BufferGeometry {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(data.centre, 3));
  geometry.setAttribute("outward", new BufferAttribute(data.outward, 3));
  geometry.setAttribute("along", new BufferAttribute(data.along, 1));
  geometry.setAttribute("radius", new BufferAttribute(data.radius, 1));
  geometry.setAttribute("owner", new BufferAttribute(data.owner, 1));
  geometry.setIndex(new BufferAttribute(data.indices, 1));
  return geometry;
}

/** Some runs in one mesh; each one's colour, pattern and state is a texel. */
class Batch {
  readonly group = new Group();
  private readonly numbers = new Map<string, number>();
  private readonly texels: Uint8Array;
  private readonly texture: DataTexture;
  private readonly materials: ShaderMaterial[] = [];
  private readonly geometries: BufferGeometry[] = [];

  private readonly behind: Mesh;
  private readonly marks: Mesh[] = [];
  private placed = 0;

  constructor(runs: Pickable[], ink: string, planes: Plane[], tolerance_m: number, sides?: number) {
    const rows = Math.max(Math.ceil(runs.length / 256), 1);
    this.texels = new Uint8Array(rows * 256 * 4);
    this.texture = new DataTexture(this.texels, 256, rows, RGBAFormat, UnsignedByteType);
    this.texture.minFilter = NearestFilter;
    this.texture.magFilter = NearestFilter;
    const parts: TubePart[] = [];
    runs.forEach((one, owner) => {
      this.numbers.set(one.run.id, owner);
      const colour = VERDICT_COLOURS[one.run.verdict] ?? VERDICT_COLOURS.unchecked;
      [1, 3, 5].forEach((k, c) => { this.texels[owner * 4 + c] = Number.parseInt(colour.slice(k, k + 2), 16); });
      this.texels[owner * 4 + 3] = 1 + 8 * (PATTERNS[one.run.verdict] ?? 2);
      if (one.line.points.length > 1) parts.push({ line: tolerance_m > 0 ? thinned(one.line, tolerance_m) : one.line, radius_m: one.radius_m, owner });
    });
    const geometry = tubeGeometry(tubes(parts, sides));
    this.add(geometry, tubeMaterial({ states: this.texture, leastPixels: LEAST_PIXELS }, planes));
    this.behind = this.add(geometry, tubeMaterial({ states: this.texture, leastPixels: LEAST_PIXELS, opacity: BEHIND_OPACITY, behind: true }, planes));
    this.addMarks(runs, ink, planes);
    this.texture.needsUpdate = true;
  }

  private add(geometry: BufferGeometry, material: ShaderMaterial): Mesh {
    const mesh = new Mesh(geometry, material);
    mesh.frustumCulled = false;
    this.geometries.push(geometry);
    this.materials.push(material);
    this.group.add(mesh);
    return mesh;
  }

  /** Leave out what is behind something, half of the work, and marks where there are very many. */
  setMoving(moving: boolean): void {
    this.behind.visible = !moving;
    for (const mesh of this.marks) mesh.visible = !moving || this.placed < MOVING_MARKS;
  }

  private addMarks(runs: Pickable[], ink: string, planes: Plane[]): void {
    const placed = new Map<string, { centre: number[]; across: number[]; along: number[]; radius: number[]; owner: number[] }>();
    const put = (kind: string, one: Pickable, at: number, upright: boolean): void => {
      if (!(kind in MARKS) || one.line.points.length < 2) return;
      let list = placed.get(kind);
      if (list === undefined) placed.set(kind, list = { centre: [], across: [], along: [], radius: [], owner: [] });
      const along: Point = upright ? [0, 0, 1] : tangentAt(one.line, at);
      const across: Point = upright ? [1, 0, 0] : Math.abs(along[2]) < 0.99 ? unit(cross([0, 0, 1], along)) : anyAcross(along);
      list.centre.push(...pointAt(one.line, at));
      list.across.push(...across);
      list.along.push(...along);
      list.radius.push(one.radius_m);
      list.owner.push(this.numbers.get(one.run.id) as number);
    };
    for (const one of runs) {
      for (const support of one.run.supports) if (support.kind in MARKS && ["strap", "hanger", "framing"].includes(support.kind)) put(support.kind, one, support.at_m, false);
      put(one.run.start.kind, one, 0, one.run.start.kind !== "open");
      put(one.run.end.kind, one, one.line.at[one.line.at.length - 1] ?? 0, one.run.end.kind !== "open");
    }
    for (const [kind, list] of placed) {
      const shape = MARKS[kind]();
      const geometry = new InstancedBufferGeometry();
      geometry.setAttribute("position", shape.getAttribute("position"));
      geometry.setIndex(shape.index);
      for (const [name, width] of [["centre", 3], ["across", 3], ["along", 3], ["radius", 1], ["owner", 1]] as const) {
        geometry.setAttribute(name, new InstancedBufferAttribute(Float32Array.from(list[name]), width));
      }
      geometry.instanceCount = list.owner.length;
      this.marks.push(this.add(geometry, markMaterial(ink, this.texture, LEAST_PIXELS, planes)));
      this.placed += list.owner.length;
    }
  }

  set(run: string, state: { shown?: boolean; pale?: boolean }): void {
    const owner = this.numbers.get(run);
    if (owner === undefined) return;
    let code = this.texels[owner * 4 + 3];
    if (state.shown !== undefined) code = (code & ~1) | Number(state.shown);
    if (state.pale !== undefined) code = (code & ~2) | (Number(state.pale) * 2);
    this.texels[owner * 4 + 3] = code;
    this.texture.needsUpdate = true;
  }

  dispose(): void {
    for (const geometry of this.geometries) geometry.dispose();
    for (const material of this.materials) material.dispose();
    this.texture.dispose();
    this.group.removeFromParent();
  }
}

export class RunsLayer {
  readonly group = new Group();
  readonly runs = new Map<string, Pickable>();
  private all: Batch | null = null;
  private apart: Batch | null = null;
  private changed = new Set<string>();
  private near = new Set<string>();
  private pale: ReadonlySet<string> | null = null;
  private ink: string;
  private readonly planes: Plane[];

  constructor(runs: Run[], ink: string, planes: Plane[]) {
    this.ink = ink;
    this.planes = planes;
    this.replace(runs);
  }

  replace(runs: Run[]): void {
    this.runs.clear();
    for (const run of runs) this.runs.set(run.id, pickable(run));
    this.join();
  }

  private join(): void {
    this.all?.dispose();
    this.changed.clear();
    this.all = new Batch([...this.runs.values()], this.ink, this.planes, FAR_TOLERANCE_M);
    this.group.add(this.all.group);
    for (const id of this.near) if (!this.runs.has(id)) this.near.delete(id);
    this.drawApart();
  }

  /** Draw what was changed, and what is near, with every chord, and not among the others. */
  private drawApart(): void {
    this.apart?.dispose();
    const ids = new Set([...this.changed, ...this.near]);
    this.apart = new Batch([...ids].map((id) => this.runs.get(id)).filter((one) => one !== undefined), this.ink, this.planes, 0, ids.size < 60 ? 12 : 8);
    this.group.add(this.apart.group);
    for (const id of this.runs.keys()) this.all?.set(id, { shown: !ids.has(id) });
    this.showPale();
  }

  update(runs: Run[], gone: string[]): void {
    for (const run of runs) {
      this.runs.set(run.id, pickable(run));
      this.changed.add(run.id);
    }
    for (const id of gone) {
      this.runs.delete(id);
      this.changed.delete(id);
      this.near.delete(id);
      this.all?.set(id, { shown: false });
    }
    if (this.changed.size > APART_MOST) this.join();
    else this.drawApart();
  }

  /** See which runs are so near that their chords could be told from arcs. */
  lookAt(view: Projector): void {
    const near: [number, string][] = [];
    for (const [id, one] of this.runs) {
      // the place of its box that is nearest to the eye: a long run may come close with one end only
      const closest = view.eye.map((value, k) => Math.min(Math.max(value, one.low[k]), one.high[k])) as Point;
      const pixels = (2 * one.radius_m) / view.pixelAt(closest);
      if (pixels > NEAR_PIXELS && view.sees(one.low, one.high)) near.push([pixels, id]);
    }
    near.sort((a, b) => b[0] - a[0]);
    const ids = new Set(near.slice(0, NEAR_MOST).map(([, id]) => id));
    if (ids.size === this.near.size && [...ids].every((id) => this.near.has(id))) return;
    this.near = ids;
    this.drawApart();
  }

  setMoving(moving: boolean): void {
    this.all?.setMoving(moving);
    this.apart?.setMoving(moving);
  }

  /** Draw all runs but these pale; null: none. */
  setPale(but: ReadonlySet<string> | null): void {
    this.pale = but;
    this.showPale();
  }

  private showPale(): void {
    for (const id of this.runs.keys()) {
      const pale = this.pale !== null && !this.pale.has(id);
      this.all?.set(id, { pale });
      this.apart?.set(id, { pale });
    }
  }

  setInk(ink: string): void {
    this.ink = ink;
    this.join();
  }

  /** Height of the highest place of any run. */
  get top_m(): number {
    let top = -Infinity;
    for (const one of this.runs.values()) top = Math.max(top, one.high[2]);
    return top;
  }

  dispose(): void {
    this.all?.dispose();
    this.apart?.dispose();
  }
}
