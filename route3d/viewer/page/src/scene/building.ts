/** The building as it is drawn: contiguous ranges of one geometry, one draw call for each role and mode. */

import { BufferAttribute, BufferGeometry, Group, LineSegments, Mesh, type Plane, type ShaderMaterial } from "three";
import { MeshBVH } from "three-mesh-bvh";
import type { Building } from "../source";
import workerText from "worker:./building.worker.ts";
import type { BuildingAnswer, BuildingTask } from "./building.worker";
import { coarse, creases } from "./creases";
import { FADED_OPACITY, GHOST_ELSE, GHOST_OPACITY, ROLE_COLOURS, type Theme, TONES } from "./palette";
import { along, arranged, boxes, FADED, GHOST, HIDDEN, inSight, MARKED, type Mode, ranges, SHOWN } from "./ranges";
import type { Projector } from "./sight";
import { facets, lineMaterial } from "./shaders";

export type RoleState = "shown" | "ghost" | "hidden";

const EDGE_TRIANGLES_MAX = 400_000; // of one role: with more, lines would hide the picture
const MOVING_TRIANGLES = 120_000; // drawn while moving, where drawing everything is too slow
const CULL_TRIANGLES = 300_000; // smaller buildings are drawn whole
const SHORT_TRIANGLES = 3_000; // drawn though out of sight, where that saves a draw call
const MODES: Record<RoleState, Mode> = { shown: SHOWN, ghost: GHOST, hidden: HIDDEN };

export interface BuildingEvents {
  changed(): void;
  ready(what: "picking" | "edges"): void;
}

export class BuildingLayer {
  readonly group = new Group();
  readonly building: Building;
  /** Triangles in drawing order: element by element, `order[k]` is the element at place k. */
  readonly order: Uint32Array;
  readonly starts: Uint32Array;
  readonly geometry = new BufferGeometry();
  readonly roleNames: string[];
  readonly placeOf: Uint32Array;
  readonly boxes: Float32Array;
  readonly roleOf: Uint8Array;
  readonly modes: Uint8Array;
  private readonly out: Uint8Array;
  tree: MeshBVH | null = null;
  edgesShown = true;
  private readonly overhead: Uint8Array;
  private readonly states = new Map<string, RoleState>();
  private overheadState: RoleState = "ghost";
  private faded = new Set<number>();
  private marked = -1;
  private markedThrough = false;
  private theme: Theme = "light";
  private readonly planes: Plane[];
  private readonly mesh: Mesh;
  private rough: { mesh: Mesh; starts: Uint32Array } | null = null;
  private edges: { lines: LineSegments; starts: Uint32Array } | null = null;
  private materials = new Map<string, ShaderMaterial>();
  private readonly colours: Record<string, string>;
  private worker: Worker | null = null;
  private readonly on: BuildingEvents;
  private gone = false;

  /** `top_m` is the height of the highest run: what lies wholly above is a ghost, since one mostly looks from above. */
  constructor(building: Building, colours: Record<string, string>, top_m: number, planes: Plane[], on: BuildingEvents) {
    this.building = building;
    this.colours = colours;
    this.planes = planes;
    this.on = on;
    const elements = building.elements;
    this.roleNames = [...new Set(elements.map((element) => element.role))];
    const numbers = new Map(this.roleNames.map((role, k) => [role, k]));
    const roles = Uint8Array.from(elements, (element) => numbers.get(element.role) as number);
    const found = boxes(building.positions, building.indices, building.starts);
    const above = Uint8Array.from(elements, (_, k) => (found[k * 6 + 2] > top_m && found[k * 6 + 2] < Infinity ? 1 : 0));
    // in each role what is near each other stands together, so that what is out of sight can be left out by the range
    const near = along(found);
    const order = arranged(building.indices, building.starts, Float64Array.from(near, (place, k) => roles[k] * 2 + above[k] + (Number.isNaN(place) ? 0 : place * 0.999)));
    this.order = order.order;
    this.starts = order.starts;
    this.placeOf = new Uint32Array(elements.length);
    this.order.forEach((element, place) => { this.placeOf[element] = place; });
    this.roleOf = Uint8Array.from(this.order, (element) => roles[element]);
    this.overhead = Uint8Array.from(this.order, (element) => above[element]);
    this.boxes = new Float32Array(found.length);
    this.order.forEach((element, place) => this.boxes.set(found.subarray(element * 6, element * 6 + 6), place * 6));
    this.modes = new Uint8Array(elements.length);
    this.out = new Uint8Array(elements.length);
    this.geometry.setAttribute("position", new BufferAttribute(building.positions, 3));
    this.geometry.setIndex(new BufferAttribute(order.indices, 1));
    this.mesh = new Mesh(this.geometry, []);
    this.mesh.frustumCulled = false;
    this.group.add(this.mesh);
    for (const role of this.roleNames) this.states.set(role, role in GHOST_OPACITY ? "ghost" : "shown");
    this.refresh();
  }

  get triangles(): number {
    return this.building.indices.length / 3;
  }

  /** Make the picking tree and the edge lines beside the picture. */
  prepare(): void {
    const wanted = new Uint8Array(this.starts.length - 1);
    const perRole = new Float64Array(this.roleNames.length);
    this.roleOf.forEach((role, k) => { perRole[role] += this.starts[k + 1] - this.starts[k]; });
    this.roleOf.forEach((role, k) => { wanted[k] = perRole[role] <= EDGE_TRIANGLES_MAX ? 1 : 0; });
    const task: BuildingTask = {
      positions: this.building.positions.slice(), indices: (this.geometry.index as BufferAttribute).array.slice() as Uint32Array,
      starts: this.starts.slice(), wanted, budget: MOVING_TRIANGLES,
    };
    try {
      const address = URL.createObjectURL(new Blob([workerText], { type: "text/javascript" }));
      this.worker = new Worker(address);
      URL.revokeObjectURL(address);
      this.worker.onmessage = ({ data }: MessageEvent<BuildingAnswer>) => this.answered(data);
      this.worker.onerror = (event) => { event.preventDefault(); this.alone(task); };
      this.worker.postMessage(task, [task.positions.buffer as ArrayBuffer, task.indices.buffer as ArrayBuffer]);
    } catch {
      this.alone(task);
    }
  }

  /** Where the browser allows no worker (a strict policy, an old file viewer): step by step between frames. */
  private alone(task: BuildingTask): void {
    this.worker?.terminate();
    this.worker = null;
    const positions = this.building.positions;
    const indices = (this.geometry.index as BufferAttribute).array as Uint32Array;
    const later = (step: () => void): void => { setTimeout(() => { if (!this.gone) step(); }, 30); };
    later(() => {
      this.tree = new MeshBVH(this.geometry, { indirect: true, verbose: false });
      this.on.ready("picking");
      later(() => {
        if (indices.length / 3 > task.budget) this.answered({ made: "coarse", ...coarse(positions, indices, this.starts, task.budget) });
        later(() => this.answered({ made: "edges", ...creases(positions, indices, this.starts, task.wanted) }));
      });
    });
  }

  private answered(answer: BuildingAnswer): void {
    if (this.gone) return;
    if (answer.made === "tree") {
      this.tree = MeshBVH.deserialize(
        { version: 1, roots: answer.roots, index: null, indirectBuffer: answer.order } as never, this.geometry,
        { setIndex: false, indirect: answer.order !== null } as never);
      this.on.ready("picking");
    } else if (answer.made === "coarse") {
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", this.geometry.getAttribute("position"));
      geometry.setIndex(new BufferAttribute(answer.indices, 1));
      const mesh = new Mesh(geometry, []);
      mesh.frustumCulled = false;
      mesh.visible = false;
      this.group.add(mesh);
      this.rough = { mesh, starts: answer.starts };
      this.refresh();
    } else {
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(answer.points, 3));
      const lines = new LineSegments(geometry, []);
      lines.frustumCulled = false;
      this.group.add(lines);
      this.edges = { lines, starts: answer.starts };
      this.refresh();
      this.on.ready("edges");
      this.on.changed();
    }
  }

  setRole(role: string, state: RoleState): void {
    if (role === "overhead") this.overheadState = state;
    else this.states.set(role, state);
    this.refresh();
  }

  role(role: string): RoleState {
    return role === "overhead" ? this.overheadState : this.states.get(role) ?? "hidden";
  }

  get hasOverhead(): boolean {
    return this.overhead.includes(1);
  }

  setFaded(elements: Iterable<number>): void {
    this.faded = new Set(elements);
    this.refresh();
  }

  /** Mark an element; `through` lets one look into it. */
  setMarked(element: number, through = false): void {
    this.marked = element;
    this.markedThrough = through;
    this.refresh();
  }

  setTheme(theme: Theme): void {
    this.theme = theme;
    for (const material of this.materials.values()) material.dispose();
    this.materials = new Map();
    this.refresh();
  }

  /** Draw only the largest triangles, and no lines, while something moves. */
  setMoving(moving: boolean): void {
    const rough = moving && this.rough !== null;
    this.mesh.visible = !rough;
    if (this.rough) this.rough.mesh.visible = rough;
    if (this.edges) this.edges.lines.visible = this.edgesShown && !moving;
  }

  /** Leave out what is not in sight, in whole ranges; a large model, seen closely, is drawn much faster. */
  lookFrom(view: Projector | null): void {
    if (this.triangles < CULL_TRIANGLES) return;
    if (view === null) {
      // while it moves nobody knows what comes into sight next
      if (!this.out.includes(1)) return;
      this.out.fill(0);
      this.divideAll();
      return;
    }
    const { toward } = view.axes;
    const { width, rows, eye, sight } = view;
    const far = sight.projection === "perspective";
    for (let k = 0; k < this.modes.length; k += 1) {
      const b = k * 6;
      const [x, y, z] = [(this.boxes[b] + this.boxes[b + 3]) / 2, (this.boxes[b + 1] + this.boxes[b + 4]) / 2, (this.boxes[b + 2] + this.boxes[b + 5]) / 2];
      const radius = Math.hypot(this.boxes[b + 3] - x, this.boxes[b + 4] - y, this.boxes[b + 5] - z);
      const depth = (eye[0] - x) * toward[0] + (eye[1] - y) * toward[1] + (eye[2] - z) * toward[2];
      let out = far && depth < -radius;
      if (!out && (!far || depth > radius * 2)) {
        const [px, py] = view.project([x, y, z]);
        // a ball looks larger aside than in the middle; half as much again is enough in so narrow a field of view
        const reach = (1.5 * radius) / view.pixelAt([x, y, z]);
        out = px < -reach || px > width + reach || py < -reach || py > rows + reach;
      }
      this.out[k] = out ? 1 : 0;
    }
    this.divideAll();
  }

  /** Whether the element at a place is in the way of rays: what is drawn as a ghost is looked through. */
  solidAt(place: number): boolean {
    const mode = this.modes[place];
    return mode === SHOWN || mode === MARKED;
  }

  visibleAt(place: number): boolean {
    return this.modes[place] !== HIDDEN && this.modes[place] !== FADED;
  }

  refresh(): void {
    for (let k = 0; k < this.modes.length; k += 1) {
      const element = this.order[k];
      let mode = MODES[this.states.get(this.roleNames[this.roleOf[k]]) ?? "shown"];
      if (this.overhead[k]) mode = Math.min(mode, MODES[this.overheadState]) as Mode;
      if (element === this.marked) mode = MARKED;
      else if (mode !== HIDDEN && this.faded.has(element)) mode = FADED;
      this.modes[k] = mode;
    }
    this.divideAll();
  }

  private divideAll(): void {
    this.divide(this.mesh, this.geometry, this.starts, 3, "face");
    if (this.rough) this.divide(this.rough.mesh, this.rough.mesh.geometry, this.rough.starts, 3, "face");
    if (this.edges) {
      this.divide(this.edges.lines, this.edges.lines.geometry, this.edges.starts, 2, "edge");
      this.edges.lines.visible = this.edgesShown;
    }
  }

  private divide(object: Mesh | LineSegments, geometry: BufferGeometry, starts: Uint32Array, per: number, kind: "face" | "edge"): void {
    geometry.clearGroups();
    const used: ShaderMaterial[] = [];
    const seen = this.out.includes(1) ? inSight(this.roleOf, this.modes, this.out, starts, SHORT_TRIANGLES) : this.modes;
    for (const range of ranges(this.roleOf, seen, starts)) {
      const material = this.material(kind, range.role, range.mode);
      let index = used.indexOf(material);
      if (index < 0) index = used.push(material) - 1;
      geometry.addGroup(range.from * per, (range.to - range.from) * per, index);
    }
    object.material = used;
  }

  private material(kind: "face" | "edge", role: number, mode: Mode): ShaderMaterial {
    const through = mode === MARKED && (this.markedThrough || this.roleNames[role] in GHOST_OPACITY);
    const key = `${kind} ${role} ${mode} ${through}`;
    let made = this.materials.get(key);
    if (made === undefined) {
      const name = this.roleNames[role];
      const tones = TONES[this.theme];
      if (kind === "edge") {
        const share = mode === SHOWN ? 1 : mode === MARKED ? 2 : mode === GHOST ? 0.34 : 0.2;
        made = lineMaterial(mode === MARKED ? tones.focus : tones.edge, Math.min(tones.edgeOpacity * share, 1), this.planes, mode !== MARKED);
      } else {
        const opacity = mode === FADED ? FADED_OPACITY : mode === GHOST ? GHOST_OPACITY[name] ?? GHOST_ELSE : 1;
        const colour = this.colours[name] ?? ROLE_COLOURS[name] ?? ROLE_COLOURS.obstacle;
        made = mode === MARKED
          ? facets(mixedColour(colour, tones.focus, 0.45), through ? 0.3 : 0.85, this.planes, 0)
          : facets(colour, opacity, this.planes, tones.shade);
      }
      this.materials.set(key, made);
    }
    return made;
  }

  dispose(): void {
    this.gone = true;
    this.worker?.terminate();
    this.geometry.dispose();
    this.rough?.mesh.geometry.dispose();
    this.edges?.lines.geometry.dispose();
    for (const material of this.materials.values()) material.dispose();
    this.group.removeFromParent();
  }
}

function mixedColour(a: string, b: string, share: number): string {
  const read = (text: string): number[] => [1, 3, 5].map((k) => Number.parseInt(text.slice(k, k + 2), 16));
  const [p, q] = [read(a), read(b)];
  return `#${p.map((value, k) => Math.round(value + (q[k] - value) * share).toString(16).padStart(2, "0")).join("")}`;
}
