/** The page starts here: data in, panels and picture around one store, a line to the server. */

import { byId, fill, h } from "./dom";
import { Page } from "./page";
import { type Source, findSource } from "./source";
import { recall, remember } from "./panels/frame";

type Theme = "light" | "dark";

const wish = window.matchMedia("(prefers-color-scheme: dark)");

function theme(): Theme {
  const kept = recall("theme");
  return kept === "light" || kept === "dark" ? kept : wish.matches ? "dark" : "light";
}

function dress(): Theme {
  const now = theme();
  document.documentElement.dataset["theme"] = now;
  return now;
}

async function start(source: Source): Promise<void> {
  const page = new Page(source, await source.review(), {
    theme,
    turn: () => {
      remember("theme", theme() === "dark" ? "light" : "dark");
      return dress();
    },
  });
  wish.addEventListener("change", () => page.setTheme(dress()));
  // for the console, and for tests, which have to know where on the screen a corner is
  Object.assign(window, { route3d: page });
  byId("loading").hidden = true;
  await page.load();
  document.body.dataset["ready"] = "yes";
}

/** The page cannot be shown: say why, and what to do. */
function failed(error: unknown): void {
  const loading = byId("loading");
  loading.hidden = false;
  loading.className = "failed";
  loading.setAttribute("role", "alert");
  fill(
    loading,
    h("p", {}, error instanceof Error ? error.message : String(error)),
    h("button", { type: "button", onclick: () => window.location.reload() }, "Load again"),
  );
  document.body.dataset["ready"] = "failed";
}

dress();
start(findSource()).catch(failed);
