/** What was not read: its number is always in sight, the list is one click away. */

import { fill, h } from "../dom";
import type { Store } from "../store";
import { counted } from "../units";
import { redraw, table } from "./common";

export function unreadLine(host: HTMLElement, store: Store): void {
  let open = false;
  let length = -1;
  redraw(store, host, ["review"], (state) => {
    const { unread } = state.review;
    host.hidden = unread.length === 0;
    if (unread.length === length) return;
    length = unread.length;
    const list = h(
      "div", { id: "unread-list", class: "unread-list", hidden: !open, tabindex: 0, role: "region", "aria-label": "What was not read" },
      h("p", {}, "Not read is not clear: no run that these could touch is called passed."),
      table(
        ["File", "Handle", "Layer", "Kind", "Why, and how to mend it"],
        unread.map((u) => [u.file, u.handle, u.layer, u.kind, u.reason]),
      ),
    );
    const button = h(
      "button",
      {
        type: "button", id: "unread-button", "aria-expanded": String(open), "aria-controls": "unread-list",
        onclick: () => {
          open = !open;
          list.hidden = !open;
          button.setAttribute("aria-expanded", String(open));
          if (open) list.focus();
        },
        onkeydown: close,
      },
      h("span", { class: "sign", "aria-hidden": "true" }, "▲"), `${counted(unread.length, "thing")} not read`,
    );
    function close(event: KeyboardEvent): void {
      if (event.key !== "Escape" || !open) return;
      event.stopPropagation();
      button.click();
      button.focus();
    }
    list.addEventListener("keydown", close);
    fill(host, button, list);
  });
}
