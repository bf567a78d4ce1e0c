/** The canvas pair (picture and marks), the camera, and when they are drawn anew: never while nothing changes. */

import { Color, OrthographicCamera, PerspectiveCamera, Scene as Space, Vector2, Vector3, WebGLRenderer } from "three";
import type { Point } from "../payload";
import { Painter } from "./paint";
import { type Theme, type Tones, TONES } from "./palette";
import { pixel } from "./shaders";
import { blended, distanceOf, FIELD_RAD, Projector, type Sight } from "./sight";

const REST_MS = 140;
const REST_MOST_MS = 1200;
const FLIGHT_MS = 520;
const SLOW_MS = 45; // between frames: then less is drawn while moving
const VERY_SLOW_MS = 90;
const SOFTWARE = /swiftshader|llvmpipe|softpipe|software|basic render/i;

/** At rest everything is drawn well; while moving quickly; and reduced where that would still take too long. */
export type Pace = "rest" | "moving" | "reduced";

export interface StageEvents {
  /** Draw the marks over the picture. */
  marks(paint: Painter): void;
  pace(pace: Pace): void;
  rested(): void;
  trouble(sentence: string): void;
  mended(): void;
}

const NO_3D = "This browser gives no 3D drawing (WebGL 2): switch on hardware acceleration or use another browser; tables and panels work without it.";
const LOST = "The graphics driver has dropped the picture. It should come back by itself; if it does not, reload the page. Nothing that you changed is lost.";

export class Stage {
  readonly space = new Space();
  readonly canvas = document.createElement("canvas");
  readonly paper = document.createElement("canvas");
  readonly renderer: WebGLRenderer | null;
  readonly software: boolean;
  sight: Sight = { target: [0, 0, 0], azimuth: -2.1, elevation: 0.65, height: 10, projection: "perspective" };
  view: Projector;
  width = 1;
  height = 1;
  bounds: { low: Point; high: Point } = { low: [-1, -1, -1], high: [1, 1, 1] };
  frames = 0;
  lastMs = 0;
  theme: Theme = "light";
  private readonly perspective = new PerspectiveCamera();
  private readonly orthographic = new OrthographicCamera();
  private sceneDirty = true;
  private asked = 0;
  private moving = false;
  private restTimer = 0;
  private lastFrame = 0;
  private interval = 16; // between frames while moving, lately
  private slow = false;
  private scale = 1;
  private flight: { from: Sight; to: Sight; since: number; then: (() => void) | null } | null = null;
  private lost = false;
  private gone = false;
  private readonly host: HTMLElement;
  private readonly on: StageEvents;
  private readonly watcher: ResizeObserver;

  constructor(host: HTMLElement, on: StageEvents) {
    this.host = host;
    this.on = on;
    for (const canvas of [this.canvas, this.paper]) {
      canvas.style.cssText = "position:absolute;inset:0;width:100%;height:100%;display:block;touch-action:none";
      host.append(canvas);
    }
    this.paper.style.pointerEvents = "none";
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "application");
    this.canvas.setAttribute("aria-label", "3D picture. Arrows turn, Shift and arrows shift, plus and minus zoom, 0 shows all, 1 to 4 are plan, front, side and oblique.");
    this.software = isSoftware();
    this.slow = this.software;
    let renderer: WebGLRenderer | null = null;
    try {
      renderer = new WebGLRenderer({ canvas: this.canvas, antialias: !this.software, powerPreference: "high-performance" });
      renderer.localClippingEnabled = true;
      renderer.info.autoReset = true;
    } catch {
      queueMicrotask(() => on.trouble(NO_3D));
    }
    this.renderer = renderer;
    this.canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      this.lost = true;
      if (!this.gone) on.trouble(LOST);
    });
    this.canvas.addEventListener("webglcontextrestored", () => {
      this.lost = false;
      on.mended();
      this.redraw(true);
    });
    this.setTheme("light");
    this.view = new Projector(this.sight, 1, 1);
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(host);
    this.resize();
  }

  get tones(): Tones {
    return TONES[this.theme];
  }

  setTheme(theme: Theme): void {
    this.theme = theme;
    this.space.background = new Color(TONES[theme].paper);
    this.redraw(true);
  }

  resize(): void {
    this.width = Math.max(this.host.clientWidth, 1);
    this.height = Math.max(this.host.clientHeight, 1);
    const ratio = Math.min(window.devicePixelRatio || 1, 3);
    this.paper.width = Math.round(this.width * ratio);
    this.paper.height = Math.round(this.height * ratio);
    this.setQuality();
    this.redraw(true);
    this.draw();
  }

  private setQuality(): void {
    const full = this.software ? 1 : Math.min(window.devicePixelRatio || 1, 2);
    const ratio = full * (this.moving && this.slow ? this.scale : 1);
    if (this.renderer === null) return;
    const size = this.renderer.getSize(new Vector2());
    if (this.renderer.getPixelRatio() === ratio && size.x === this.width && size.y === this.height) return;
    this.renderer.setPixelRatio(ratio);
    this.renderer.setSize(this.width, this.height, false);
  }

  // --- where one looks from ----------------------------------------------------------------------------------------

  look(sight: Sight): void {
    this.flight = null;
    this.sight = sight;
    this.moved();
  }

  fly(sight: Sight, then: (() => void) | null = null): void {
    if (matchMedia("(prefers-reduced-motion: reduce)").matches) {
      this.look(sight);
      then?.();
      return;
    }
    this.flight = { from: { ...this.sight, projection: sight.projection }, to: sight, since: performance.now(), then };
    this.moved();
  }

  /** Change the projection, of a flight that is under way too. */
  project(projection: Sight["projection"]): void {
    if (this.flight !== null) {
      this.flight.from = { ...this.flight.from, projection };
      this.flight.to = { ...this.flight.to, projection };
    }
    this.sight = { ...this.sight, projection };
    this.moved();
  }

  /** Something changes from frame to frame: draw quickly, and well once it rests. */
  moved(): void {
    if (!this.moving) {
      this.moving = true;
      this.lastFrame = 0;
      this.interval = 16;
      this.on.pace(this.slow ? "reduced" : "moving");
      this.setQuality();
    }
    this.restLater();
    this.redraw(true);
  }

  /** Where frames take long, a pause between two of them is no rest. */
  private restLater(): void {
    clearTimeout(this.restTimer);
    this.restTimer = window.setTimeout(() => this.rest(), Math.max(REST_MS, Math.min(2.5 * this.interval, REST_MOST_MS)));
  }

  private rest(): void {
    if (this.flight !== null || (this.asked !== 0 && this.sceneDirty)) {
      this.restLater();
      return;
    }
    this.moving = false;
    this.on.pace("rest");
    this.setQuality();
    this.redraw(true);
    this.on.rested();
  }

  // --- frames --------------------------------------------------------------------------------------------------------

  redraw(scene = false): void {
    this.sceneDirty ||= scene;
    if (this.asked === 0 && !this.gone) this.asked = requestAnimationFrame((now) => this.frame(now));
  }

  private frame(now: number): void {
    this.asked = 0;
    if (this.gone) return;
    if (this.moving && this.lastFrame > 0) {
      const ms = now - this.lastFrame;
      this.interval = 0.6 * this.interval + 0.4 * Math.min(ms, REST_MOST_MS);
      this.judge(ms);
    }
    this.lastFrame = now;
    if (this.flight !== null) {
      const { from, to, since, then } = this.flight;
      const share = Math.min(Math.max((now - since) / FLIGHT_MS, 0), 1);
      const eased = share * share * (3 - 2 * share);
      this.sight = share >= 1 ? to : blended(from, to, eased);
      this.sceneDirty = true;
      if (share >= 1) {
        this.flight = null;
        then?.();
        this.moved();
      } else this.redraw(true);
    }
    this.draw();
  }

  /** Long waits between frames while moving: draw less; all of it again only when it rests. */
  private judge(ms: number): void {
    if (!this.slow && ms > SLOW_MS) {
      this.slow = true;
      this.on.pace("reduced");
    } else if (this.slow && ms > VERY_SLOW_MS && this.scale > 0.5) this.scale = this.scale === 1 ? 0.75 : 0.5;
    else if (this.slow && ms < SLOW_MS / 2 && this.scale < 1) this.scale = Math.min(this.scale + 0.25, 1);
    else return;
    this.setQuality();
  }

  /** Draw now: the picture if it changed, and the marks. */
  draw(): void {
    const started = performance.now();
    this.view = new Projector(this.sight, this.width, this.height);
    if (this.sceneDirty && this.renderer !== null && !this.lost) {
      this.sceneDirty = false;
      this.renderer.render(this.space, this.camera());
      this.frames += 1;
    }
    const ctx = this.paper.getContext("2d") as CanvasRenderingContext2D;
    const ratio = this.paper.width / this.width;
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.clearRect(0, 0, this.width, this.height);
    this.on.marks(new Painter(ctx, this.width, this.height, this.tones));
    this.lastMs = performance.now() - started;
  }

  private camera(): PerspectiveCamera | OrthographicCamera {
    const { sight, view } = this;
    const { low, high } = this.bounds;
    // near and far as tight as the whole allows: depth has few digits
    const depths = [0, 1, 2, 3, 4, 5, 6, 7].map((k) => {
      const corner = [k & 1 ? high[0] : low[0], k & 2 ? high[1] : low[1], k & 4 ? high[2] : low[2]];
      return corner.reduce((sum, value, axis) => sum + (view.eye[axis] - value) * view.axes.toward[axis], 0);
    });
    const reach = Math.max(...depths);
    const distance = distanceOf(sight);
    const rim = 0.02 * (reach - Math.min(...depths)) + 0.1;
    let camera: PerspectiveCamera | OrthographicCamera;
    if (sight.projection === "perspective") {
      camera = this.perspective;
      camera.fov = (FIELD_RAD * 180) / Math.PI;
      camera.aspect = this.width / this.height;
      camera.near = Math.max(Math.min(...depths) - rim, distance * 0.02, 0.002);
      camera.far = Math.max(reach + rim, camera.near * 2);
      pixel.perspective.value = 1;
      pixel.size.value = sight.height / this.height / distance;
    } else {
      camera = this.orthographic;
      camera.top = sight.height / 2;
      camera.bottom = -camera.top;
      camera.right = (camera.top * this.width) / this.height;
      camera.left = -camera.right;
      camera.near = Math.min(...depths) - rim;
      camera.far = reach + rim;
      pixel.perspective.value = 0;
      pixel.size.value = sight.height / this.height;
    }
    camera.position.set(...view.eye);
    camera.matrixWorld.makeBasis(new Vector3(...view.axes.right), new Vector3(...view.axes.up), new Vector3(...view.axes.toward));
    camera.matrixWorld.setPosition(camera.position);
    camera.matrixAutoUpdate = false;
    camera.matrixWorldAutoUpdate = false;
    camera.matrix.copy(camera.matrixWorld);
    camera.matrixWorldInverse.copy(camera.matrixWorld).invert();
    camera.updateProjectionMatrix();
    return camera;
  }

  /** What is seen with its marks, as a PNG address. */
  picture(): string {
    this.moving = false;
    this.on.pace("rest");
    this.setQuality();
    this.sceneDirty = true;
    this.draw();
    const made = document.createElement("canvas");
    made.width = this.paper.width;
    made.height = this.paper.height;
    const ctx = made.getContext("2d") as CanvasRenderingContext2D;
    ctx.fillStyle = this.tones.paper;
    ctx.fillRect(0, 0, made.width, made.height);
    // read right after drawing, in the same task: later the drawing buffer is empty
    if (this.renderer !== null) ctx.drawImage(this.canvas, 0, 0, made.width, made.height);
    ctx.drawImage(this.paper, 0, 0);
    return made.toDataURL("image/png");
  }

  dispose(): void {
    this.gone = true;
    cancelAnimationFrame(this.asked);
    clearTimeout(this.restTimer);
    this.watcher.disconnect();
    this.renderer?.dispose();
    this.renderer?.forceContextLoss();
    this.canvas.remove();
    this.paper.remove();
  }
}

/** Whether 3D is drawn by the processor: then without smoothing of edges, which costs most of the time there. */
function isSoftware(): boolean {
  const context = document.createElement("canvas").getContext("webgl2");
  if (context === null) return false;
  const about = context.getExtension("WEBGL_debug_renderer_info");
  const name = about === null ? "" : String(context.getParameter(about.UNMASKED_RENDERER_WEBGL));
  context.getExtension("WEBGL_lose_context")?.loseContext();
  return SOFTWARE.test(name);
}
