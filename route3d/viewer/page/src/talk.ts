/** What the page and the server say to each other, and what it does to the store. */

import type { Edits } from "./edits";
import { Live } from "./live";
import { changeWords, merged } from "./merge";
import { followed } from "./decisions";
import { formDone } from "./panels/decisions";
import type { Aside, Book, Camera, Checked, DecideOrder, DecisionNews, Distance, FromServer, Hello, Review, Thing } from "./payload";
import type { Scene } from "./scene/scene";
import { READ_ONLY, type Store } from "./store";

const TELL_AFTER_MS = 700;

export class LiveLink {
  private readonly live: Live;
  private told = 0;
  private camera: Camera | null = null;
  private before: Review;
  /** The decision that waits for its answer. */
  private deciding: { seq: number; about: string } | null = null;
  /** Hears of every message first; true: it was the only one concerned. */
  first: (message: FromServer) => boolean = () => false;
  private greeted = false;
  private taking = false;
  private dropping = false;
  private measuring: number | null = null;

  constructor(
    private readonly store: Store,
    private readonly edits: Edits,
    private readonly scene: Scene,
    private readonly reload: () => Promise<void>,
    private readonly book: () => Promise<Book>,
  ) {
    this.before = store.get().review;
    const address = `${window.location.protocol === "https:" ? "wss" : "ws"}://${window.location.host}/live`;
    this.live = new Live(
      address,
      {
        up: () => store.line({ state: "up", refused: false }),
        lost: (refused) => {
          store.line({ state: "lost", saving: false, working: "", refused });
          this.undecided("The line was lost before the answer came: once it is back, see whether the decision is listed, and if not, make it again.");
        },
        refused: () => edits.refused(),
        message: (message) => this.hear(message),
        checking: (busy) => store.line({ checking: busy }),
      },
      () => edits.toSend(),
    );
    store.subscribe((now, before) => {
      if (now.selection !== before.selection && now.cause !== "window" && now.cause !== "check") this.select(null);
    });
  }

  connect(): void {
    this.live.connect();
  }

  draft(): void {
    this.live.draft();
  }

  save(): void {
    this.store.line({ saving: true });
    this.live.ask({ do: "save" });
  }

  take(): void {
    this.store.line({ drafts: null });
    this.taking = true;
    this.live.ask({ do: "take-drafts" });
  }

  /** Drop what an earlier session left behind. */
  drop(): void {
    this.store.line({ drafts: null });
    this.live.ask({ do: "drop-drafts" });
  }

  /** Give up everything that is not saved. */
  dropAll(): void {
    this.dropping = true;
    this.live.ask({ do: "drop-drafts", all: true });
  }

  /** Keep a decision; what it says stays in the form until the server has it on disk. */
  decide(order: DecideOrder): void {
    const { store } = this;
    if (store.get().deciding.sending) return;
    const seq = this.live.decide(order);
    this.deciding = seq === null ? null : { seq, about: order.about };
    const trouble = seq === null ? "There is no line to route3d now: nothing was decided." : "";
    store.update({ deciding: { ...store.get().deciding, sending: seq !== null, trouble, about: order.about } });
  }

  private undecided(why: string): void {
    if (this.deciding === null) return;
    this.deciding = null;
    this.store.update({ deciding: { ...this.store.get().deciding, sending: false, trouble: why } });
  }

  private decided(news: DecisionNews & { seq: number | null }): void {
    const { store } = this;
    if (this.deciding !== null && news.seq === this.deciding.seq) {
      formDone(this.deciding.about);
      this.deciding = null;
      store.update({ deciding: { ...store.get().deciding, sending: false, trouble: "", open: false }, notice: "The decision is kept." });
    }
    const review = followed(store.get().review, news);
    if (review === null) void this.readBook();
    else if (review !== store.get().review) store.update({ review });
  }

  /** Some news were missed: ask for all decisions. */
  private async readBook(): Promise<void> {
    const { store } = this;
    try {
      const book = await this.book();
      store.update({ review: { ...store.get().review, ...book } });
    } catch (error) {
      store.line({ failures: [...store.get().line.failures, error instanceof Error ? error.message : String(error)] });
    }
  }

  /** Have the files read again. */
  readAnew(): void {
    this.store.line({ working: "reading the files" });
    this.live.ask({ do: "reload" });
  }

  /** Ask for something that no draft waits for; null: there is no line. */
  aside(order: Aside): number | null {
    return this.live.aside(order);
  }

  /** The camera came to rest: other windows go there too. */
  moved(camera: Camera): void {
    if (this.camera !== null && near(this.camera, camera)) return;
    this.camera = camera;
    this.select(camera);
  }

  /** Ask for the shortest way between two things that were picked. */
  distance(from: Thing | null, to: Thing | null): void {
    this.measuring = from === null || to === null ? null : this.live.distance(from, to);
  }

  private nearest(nearest: Distance | string): void {
    const { measured } = this.store.get();
    this.measuring = null;
    if (measured === null) return;
    this.store.update({ measured: { ...measured, nearest } });
    this.scene.measure.showNearest(typeof nearest === "string" ? null : nearest);
  }

  private select(camera: Camera | null): void {
    const { line, selection } = this.store.get();
    if (line.follow) this.live.select({ ...selection, camera });
  }

  private hear(message: FromServer): void {
    const { store } = this;
    if (this.first(message)) return;
    switch (message.say) {
      case "hello":
        this.hello(message);
        break;
      case "checked":
        this.checked(message);
        break;
      case "saved":
        store.line({ saving: false, unsaved: message.unsaved, notes: message.notes ?? [] });
        this.edits.saved();
        store.update({ notice: ["Saved: " + message.files.join(", ") + ".", ...(message.notes ?? [])].join(" ") });
        break;
      case "decided":
        this.decided(message);
        break;
      case "distance":
        if (message.seq === this.measuring) this.nearest(message);
        break;
      case "failed":
        if (this.deciding !== null && message.seq === this.deciding.seq) {
          this.undecided(`Not kept: ${message.why}.`);
          break;
        }
        if (message.seq !== null && message.seq === this.measuring) {
          this.nearest(sentence(message.why));
          break;
        }
        this.taking = this.dropping = false;
        store.line({ saving: false, working: "", failures: [...store.get().line.failures.filter((why) => why !== message.why), message.why] });
        break;
      case "dropped":
        store.line({ unsaved: message.unsaved });
        if (this.dropping && message.seq !== null) {
          this.dropping = false;
          this.edits.clear();
        }
        break;
      case "drafts":
        store.line({ drafts: message.drafts });
        break;
      case "working":
        store.line({ working: workingWords(message.doing, message.share ?? null) });
        break;
      case "selected":
        if (!store.get().line.follow) break;
        store.select({ finding: message.finding, run: message.run, element: message.element }, "window");
        if (message.camera !== null) {
          this.camera = message.camera;
          this.scene.setCamera(message.camera, { fly: true });
        }
        break;
      case "input-changed":
        store.line({ changedInputs: message.files });
        break;
      case "review-changed":
        store.line({ changedInputs: [] });
        void this.renew();
        break;
    }
  }

  private hello(message: Hello): void {
    const { store, edits } = this;
    store.line({
      editable: message.editable,
      whyNot: message.editable ? "" : message.why_not_editable === null ? READ_ONLY : sentence(message.why_not_editable),
      drafts: message.drafts,
      unsaved: message.unsaved,
      changedInputs: message.input_changed,
    });
    if (message.revision !== store.get().review.revision) void this.renew();
    else if (message.decisions_number !== store.get().review.decisions_number) void this.readBook();
    // the first time, what is drafted is what the server told
    if (this.greeted && edits.resend()) this.live.draft();
    this.greeted = true;
  }

  private async renew(): Promise<void> {
    await this.reload();
    this.before = this.store.get().review;
    this.edits.reconcile();
    this.store.line({ working: "" });
  }

  private checked(message: Checked): void {
    const { store } = this;
    store.line({ lastCheck_ms: message.seq === null ? store.get().line.lastCheck_ms : message.ms, unsaved: message.unsaved, notes: message.notes });
    const taken = this.taking && message.seq !== null;
    if (taken) this.taking = false;
    if (message.whole || message.revision > store.get().review.revision + 1) {
      void this.renew().then(() => taken && this.edits.seed(store.get().review.drafts ?? []));
      return;
    }
    const review = merged(store.get().review, message);
    store.update({ review });
    this.scene.updateRuns(message.runs, message.runs_gone);
    if (message.findings.length > 0 || message.findings_gone.length > 0) this.scene.updateFindings(review.findings);
    const { selection } = store.get();
    const lost = selection.finding !== null && message.findings_gone.includes(selection.finding);
    if (lost) store.select({ run: selection.run }, "check");
    if (taken) this.edits.seed(message.drafts ?? []);
    this.tell();
  }

  /** Say what the checks changed once the changes pause: a drag is not read out step by step. */
  private tell(): void {
    window.clearTimeout(this.told);
    this.told = window.setTimeout(() => {
      const now = this.store.get().review;
      const words = changeWords(this.before, now);
      this.before = now;
      if (words !== "") this.store.update({ notice: words });
    }, TELL_AFTER_MS);
  }
}

/** The server's errors are sentences without capital and stop, to stand behind other words. */
function sentence(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
}

function workingWords(doing: string | null, share: number | null): string {
  if (doing === null) return "";
  return share === null ? doing : `${doing}, ${Math.round(share * 100)} %`;
}

function near(a: Camera, b: Camera): boolean {
  return [0, 1, 2].every((k) => Math.abs(a.eye_m[k] - b.eye_m[k]) < 2e-3 && Math.abs(a.target_m[k] - b.target_m[k]) < 2e-3);
}
