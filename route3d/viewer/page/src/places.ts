/** Keeps the address in step with what is shown, and goes where an address says. */

import { read, written } from "./link";
import type { Scene } from "./scene/scene";
import type { Store } from "./store";

const SAME_STEP_MS = 900;

export class Places {
  private pushed = 0;
  private going = false;
  private listeners: ((camera: ReturnType<Scene["camera"]>) => void)[] = [];

  constructor(
    private readonly store: Store,
    private readonly scene: Scene,
  ) {
    store.subscribe((now, before) => {
      if (this.going) return;
      const chosen = now.selection !== before.selection && now.cause !== "check";
      if (chosen || now.filter !== before.filter || now.tab !== before.tab) this.write(chosen && now.cause !== "window");
    });
    window.addEventListener("popstate", () => this.restore());
  }

  /** Told of every new place of the camera, once it is at rest. */
  onMoved(listener: (camera: ReturnType<Scene["camera"]>) => void): void {
    this.listeners.push(listener);
  }

  /** The camera came to rest. */
  moved(): void {
    this.write(false);
    for (const listener of this.listeners) listener(this.scene.camera());
  }

  /** Go where the address says. */
  restore(): void {
    const place = read(window.location.hash);
    const { store, scene } = this;
    this.going = true;
    try {
      store.update({ filter: place.filter });
      const some = place.finding !== null || place.run !== null || place.element !== null;
      store.update({ tab: place.tab ?? (some ? "run" : "overview") });
      store.select({ finding: place.finding, run: place.run, element: place.element }, place.camera === null ? "link" : "check");
      if (place.camera !== null) {
        store.look({ projection: place.camera.projection });
        scene.setCamera(place.camera, { fly: false });
      }
    } finally {
      this.going = false;
    }
  }

  /** A new selection is a step that "back" returns from; quick ones, as of a held key, are one step. */
  private write(step: boolean): void {
    const { selection, filter, tab } = this.store.get();
    const hash = `#${written({ ...selection, tab, filter, camera: this.scene.camera() })}`;
    if (hash === window.location.hash) return;
    const now = performance.now();
    const push = step && now - this.pushed > SAME_STEP_MS;
    if (step) this.pushed = now;
    if (push) window.history.pushState(null, "", hash);
    else window.history.replaceState(null, "", hash);
  }
}
