/** The line to the server: it comes back by itself, and holds one draft in flight at a time. */

import type { Aside, DecideOrder, Edit, FromServer, SelectMessage, Thing, ToServer } from "./payload";

export interface LineEvents {
  up(): void;
  lost(refused: boolean): void;
  message(message: FromServer): void;
  /** A draft is on its way, or the last answer came. */
  checking(busy: boolean): void;
  /** The server did not take the draft that was on its way. */
  refused(): void;
}

type Order = { do: "save" | "take-drafts" | "reload" } | { do: "drop-drafts"; all?: boolean };

const NO_COOKIE = 4401;
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 8000;

/** A websocket that reconnects; what to send as a draft is asked for when there is room for it. */
export class Live {
  private socket: WebSocket | null = null;
  private wait_ms = FIRST_WAIT_MS;
  private seq = 0;
  private flying: { seq: number; what: ToServer["do"] } | null = null;
  private wanted = false;
  private after: Order[] = [];
  private greeted = false;
  private timer = 0;

  constructor(
    private readonly url: string,
    private readonly on: LineEvents,
    /** What has changed since the last call; it counts as sent. Empty: nothing to send. */
    private readonly takeEdits: () => Edit[],
  ) {}

  connect(): void {
    window.clearTimeout(this.timer);
    if (this.socket !== null) return;
    const socket = new WebSocket(this.url);
    this.socket = socket;
    socket.addEventListener("message", (event) => {
      if (typeof event.data === "string") this.hear(JSON.parse(event.data) as FromServer);
    });
    socket.addEventListener("close", (event) => {
      if (this.socket !== socket) return;
      this.socket = null;
      this.greeted = false;
      this.flying = null;
      this.after = [];
      this.on.checking(false);
      this.on.lost(event.code === NO_COOKIE);
      this.timer = window.setTimeout(() => this.connect(), this.wait_ms);
      this.wait_ms = Math.min(this.wait_ms * 2, LONGEST_WAIT_MS);
    });
  }

  /** Edits have changed: send them now, or when the answer to the last ones has come. */
  draft(): void {
    this.wanted = true;
    this.pump();
  }

  /** Save, drop or take drafts, read anew: after what is still to be sent. */
  ask(order: Order): void {
    this.after.push(order);
    this.pump();
  }

  select(message: SelectMessage): void {
    if (this.greeted) this.send({ do: "select", ...message });
  }

  /** Decide, past everything that waits for a check; return the number of the answer, null where there is no line. */
  decide(order: DecideOrder): number | null {
    return this.question((seq) => ({ do: "decide", seq, ...order }));
  }

  /** Ask for something that no draft waits for. Returns the number of the answer; null: there is no line. */
  aside(order: Aside): number | null {
    return this.question((seq) => ({ ...order, seq }));
  }

  /** Ask how far apart two things are; returns the number of the question, null where nobody can be asked. */
  distance(from: Thing, to: Thing): number | null {
    return this.question((seq) => ({ do: "distance", seq, from, to }));
  }

  private question(message: (seq: number) => ToServer): number | null {
    if (!this.greeted) return null;
    const seq = this.next();
    this.send(message(seq));
    return seq;
  }

  private pump(): void {
    if (!this.greeted || this.flying !== null) return;
    if (this.wanted) {
      this.wanted = false;
      const edits = this.takeEdits();
      if (edits.length > 0) {
        this.fly({ do: "draft", seq: this.next(), edits });
        return;
      }
    }
    const order = this.after.shift();
    if (order !== undefined) this.fly({ ...order, seq: this.next() });
  }

  private next(): number {
    this.seq += 1;
    return this.seq;
  }

  private fly(message: Exclude<ToServer, { do: "select" } | Aside>): void {
    this.flying = { seq: message.seq, what: message.do };
    this.on.checking(message.do === "draft");
    this.send(message);
  }

  private send(message: ToServer): void {
    this.socket?.send(JSON.stringify(message));
  }

  private hear(message: FromServer): void {
    if (message.say === "hello") {
      this.greeted = true;
      this.wait_ms = FIRST_WAIT_MS;
      this.on.message(message);
      this.on.up();
      this.pump();
      return;
    }
    const { flying } = this;
    const answered = flying !== null && "seq" in message && message.seq === flying.seq;
    if (answered && flying.what === "draft" && message.say === "failed") this.on.refused();
    this.on.message(message);
    // "reload" is answered to all windows at once
    if (answered || (flying?.what === "reload" && message.say === "review-changed")) {
      this.flying = null;
      this.on.checking(false);
      this.pump();
    }
  }
}
