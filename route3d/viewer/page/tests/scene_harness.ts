/** The scene alone with the payloads of the server that it was loaded from: for smoke.py, which drives it. */

import { Scene, type SceneEvents } from "../src/scene/scene";
import { findSource } from "../src/source";

declare global {
  interface Window {
    scene: Scene;
    told: Record<string, unknown[]>;
  }
}

const host = document.createElement("div");
host.style.cssText = "position:fixed;inset:0";
document.body.style.margin = "0";
document.body.append(host);
const told: Record<string, unknown[]> = {};
window.told = told;
const on = new Proxy({} as Partial<SceneEvents>, {
  get: (_, name: string) => (...values: unknown[]) => {
    (told[name] ??= []).push([performance.now(), ...values]);
  },
});
const source = findSource();
const review = await source.review();
const building = await source.building();
(told.loaded ??= []).push([performance.now()]);
window.scene = new Scene(host, review, on);
window.scene.setBuilding(building);
requestAnimationFrame(() => requestAnimationFrame(() => { document.body.dataset.ready = "yes"; }));
