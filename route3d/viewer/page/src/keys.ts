/** Keys that work anywhere on the page. */

import { byId } from "./dom";
import { singleKeys } from "./panels/help";
import type { Store } from "./store";

export interface KeyActions {
  step(by: number): void;
  undo(): void;
  redo(): void;
  save(): void;
  help(): void;
  edit(): void;
  decide(): void;
  propose(): void;
}

export function keys(store: Store, on: KeyActions): void {
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || document.querySelector("dialog[open]") !== null) return;
    if ((event.ctrlKey || event.metaKey) && !event.altKey) {
      withControl(event, store, on);
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey || typing(event.target) || !singleKeys()) return;
    const acts: Record<string, () => void> = {
      "/": () => byId("search").focus(), "?": on.help, n: () => on.step(1), b: () => on.step(-1), e: on.edit, d: on.decide,
      m: on.propose,
    };
    const act = acts[event.key];
    if (act === undefined) return;
    event.preventDefault();
    act();
  });
}

function withControl(event: KeyboardEvent, store: Store, on: KeyActions): void {
  const key = event.key.toLowerCase();
  if (key === "s") {
    event.preventDefault();
    on.save();
    return;
  }
  if (typing(event.target) || !store.get().line.editable) return; // text fields undo their own typing
  const act = key === "z" ? (event.shiftKey ? on.redo : on.undo) : key === "y" ? on.redo : null;
  if (act === null) return;
  event.preventDefault();
  act();
}

function typing(target: EventTarget | null): boolean {
  return target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement || (target instanceof HTMLInputElement && ["text", "search"].includes(target.type));
}
