/** The frame around the panels: tabs, and edges that can be moved by mouse and keys. */

import { byId } from "../dom";
import type { Store, Tab } from "../store";

const TABS: Tab[] = ["run", "overview", "building", "edit"];

export function tabs(store: Store): void {
  for (const tab of TABS) {
    const button = byId(`tab-${tab}`);
    button.addEventListener("click", () => store.update({ tab }));
    button.addEventListener("keydown", (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (by === undefined) return;
      event.preventDefault();
      const next = TABS[(TABS.indexOf(tab) + by + TABS.length) % TABS.length];
      store.update({ tab: next });
      byId(`tab-${next}`).focus();
    });
  }
  const show = (chosen: Tab): void => {
    for (const tab of TABS) {
      const on = tab === chosen;
      const button = byId(`tab-${tab}`);
      button.setAttribute("aria-selected", String(on));
      button.tabIndex = on ? 0 : -1;
      byId(`panel-${tab}`).hidden = !on;
    }
  };
  store.subscribe((now, before) => {
    if (now.tab !== before.tab) show(now.tab);
  });
  show(store.get().tab);
}

/** An edge that sets a length of the page's grid; the length is kept for the next visit. */
export function edge(id: string, variable: string, across: "x" | "y", least: number, most: () => number, moved: () => void): void {
  const bar = byId(id);
  const root = document.documentElement;
  const size = (): number => parseFloat(getComputedStyle(root).getPropertyValue(variable));
  const set = (pixels: number): void => {
    const value = Math.round(Math.min(Math.max(pixels, least), most()));
    root.style.setProperty(variable, `${value}px`);
    bar.setAttribute("aria-valuenow", String(value));
    bar.setAttribute("aria-valuemin", String(least));
    bar.setAttribute("aria-valuemax", String(Math.round(most())));
    remember(variable, String(value));
    moved();
  };
  const kept = Number(recall(variable));
  set(kept > 0 ? kept : size());
  let from: { at: number; size: number } | null = null;
  const at = (event: PointerEvent): number => (across === "x" ? event.clientX : event.clientY);
  bar.addEventListener("pointerdown", (event) => {
    from = { at: at(event), size: size() };
    bar.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  bar.addEventListener("pointermove", (event) => {
    if (from !== null) set(from.size - (at(event) - from.at));
  });
  bar.addEventListener("pointerup", () => (from = null));
  bar.addEventListener("pointercancel", () => (from = null));
  bar.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: 24, ArrowUp: 24, ArrowRight: -24, ArrowDown: -24 }[event.key];
    if (by === undefined) return;
    event.preventDefault();
    set(size() + by);
  });
  window.addEventListener("resize", () => set(size()));
}

/** Kept in the browser, where it allows that; a report opened from a file may have no such place. */
export function remember(name: string, value: string): void {
  try {
    window.localStorage.setItem(`route3d ${name}`, value);
  } catch {
    // not kept: the page starts with its usual layout
  }
}

export function recall(name: string): string | null {
  try {
    return window.localStorage.getItem(`route3d ${name}`);
  } catch {
    return null;
  }
}
