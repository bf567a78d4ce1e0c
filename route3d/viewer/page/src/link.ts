/** The part of the address after `#`: enough to open the page again at the same place. */

import { FIELDS, type Field, type Filter, NO_FILTER } from "./filter";
import type { Camera, Point } from "./payload";
import type { Tab } from "./store";

export interface Place {
  finding: string | null;
  run: string | null;
  element: string | null;
  tab: Tab | null;
  filter: Filter;
  camera: Camera | null;
}

const TABS: readonly string[] = ["run", "overview", "building", "edit"];

export function written(place: Place): string {
  const parts = new URLSearchParams();
  if (place.finding !== null) parts.set("finding", place.finding);
  else if (place.run !== null) parts.set("run", place.run);
  if (place.finding === null && place.element !== null) parts.set("element", place.element);
  if (place.tab !== null) parts.set("tab", place.tab);
  if (place.filter.text.trim() !== "") parts.set("text", place.filter.text.trim());
  for (const field of Object.keys(FIELDS) as Field[]) {
    for (const value of place.filter[field]) parts.append(field, value);
  }
  if (place.camera !== null) parts.set("camera", cameraText(place.camera));
  return parts.toString();
}

/** Read what stands after `#`. What cannot be understood is left out: an old link still opens the page. */
export function read(hash: string): Place {
  const parts = new URLSearchParams(hash.replace(/^#/, ""));
  const filter: Filter = { ...NO_FILTER, text: parts.get("text") ?? "" };
  for (const field of Object.keys(FIELDS) as Field[]) filter[field] = parts.getAll(field);
  const tab = parts.get("tab");
  return {
    finding: parts.get("finding"),
    run: parts.get("run"),
    element: parts.get("element"),
    tab: tab !== null && TABS.includes(tab) ? (tab as Tab) : null,
    filter,
    camera: cameraOf(parts.get("camera")),
  };
}

function cameraText(camera: Camera): string {
  const numbers = [...camera.eye_m, ...camera.target_m, ...(camera.up ?? [0, 0, 1]), camera.height_m ?? 0];
  return [camera.projection === "orthographic" ? "o" : "p", ...numbers.map((n) => String(round(n)))].join("_");
}

function cameraOf(text: string | null): Camera | null {
  if (text === null) return null;
  const [kind, ...rest] = text.split("_");
  const numbers = rest.map(Number);
  if ((kind !== "o" && kind !== "p") || numbers.length !== 10 || !numbers.every(Number.isFinite)) return null;
  const height = numbers[9] ?? 0;
  return {
    eye_m: numbers.slice(0, 3) as Point,
    target_m: numbers.slice(3, 6) as Point,
    up: numbers.slice(6, 9) as Point,
    projection: kind === "o" ? "orthographic" : "perspective",
    ...(height > 0 ? { height_m: height } : {}),
  };
}

function round(value: number): number {
  return Math.round(value * 1000) / 1000;
}
