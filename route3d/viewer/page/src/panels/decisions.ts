/** Decisions: what holds about the chosen finding, the form that makes one, and where all of them stand. */

import { fill, h } from "../dom";
import {
  DECIDED, DECIDED_WORDS, EVENT_WORDS, NEEDS_REASON, PRESENCE_WORDS, decisionOf, dueOf, isKept, isOverdue, missing, moment,
  savedId, today,
} from "../decisions";
import { NO_FILTER, passing } from "../filter";
import type { Decided, DecideOrder, Decision, Finding, Past } from "../payload";
import type { State, Store } from "../store";
import { counted } from "../units";
import { folding, section } from "./common";
import { recall, remember } from "./frame";

export interface DecideActions {
  decide(order: DecideOrder): void;
}

/** What is half typed about a finding outlives every redrawing of the panel. */
interface Form {
  decided: Decided;
  note: string;
  owner: string;
  due: string;
  all: boolean;
}

const forms = new Map<string, Form>();
let by: string | null = null;

/** The word of a decision with its sign; overdue ones say so. */
export function decidedWords(decision: Decision | null): HTMLElement {
  const decided = decision?.decided ?? "open";
  const { mark, words } = DECIDED_WORDS[decided];
  return h("span", { class: `decided ${decided}` }, h("span", { class: "sign", "aria-hidden": "true" }, mark), words);
}

export function dueWords(decision: Decision | null): HTMLElement {
  const late = dueOf(decision, today()) === "overdue";
  return h("span", { class: late ? "overdue" : "", title: late ? "overdue" : "" }, decision?.due ?? "", late && " !", late && h("span", { class: "unseen" }, " overdue"));
}

/** The part of the run's panel that belongs to the chosen finding. */
export function decisionPart(state: State, store: Store, finding: Finding, on: DecideActions): HTMLElement {
  const { review } = state;
  const decision = decisionOf(review, finding);
  const id = savedId(review, finding);
  const parts: (HTMLElement | null)[] = [decision === null ? nothing(state, id) : standing(state, decision, finding)];
  if (id !== null) {
    if (state.line.editable) parts.push(form(state, store, finding, id, decision, on));
    else parts.push(h("p", { class: "soft" }, state.line.whyNot));
  }
  return h("section", { class: "decision", "aria-label": "Decision" }, h("h3", {}, "Decision"), ...parts.filter((part) => part !== null));
}

function nothing(state: State, id: string | null): HTMLElement {
  if (id === null) return h("p", { class: "soft" }, "This finding comes from changes that are not saved: it can be decided about once they are.");
  if (isKept(state.review)) return h("p", { class: "soft" }, "What was decided about it cannot be told: another check was recorded since this page read the files.");
  return h("p", { class: "soft" }, "Nothing is decided yet.");
}

function standing(state: State, decision: Decision, finding: Finding): HTMLElement {
  const { owner, due, note, at, since, doubtful } = decision;
  const changed = state.review.runs.some((run) => run.id === finding.run && run.changed === true);
  return h(
    "div", {},
    h("p", { class: "stands" }, decidedWords(decision), at !== "" && h("span", { class: "soft" }, ` by ${decision.by}, ${moment(at)}`)),
    h(
      "dl", { class: "facts" },
      owner !== "" && h("dt", {}, "Owner"), owner !== "" && h("dd", {}, owner),
      due !== "" && h("dt", {}, "Due"),
      due !== "" && h("dd", {}, dueWords(decision)),
      note !== "" && h("dt", {}, "Note"), note !== "" && h("dd", { class: "note-text" }, note),
      h("dt", {}, "First found"), h("dd", {}, moment(since)),
    ),
    doubtful && h("p", { class: "doubt" }, "Its last match could have been another finding: look at it."),
    changed && h("p", { class: "soft" }, "Decided about the job as it is saved; the run has changes that are not."),
    history(decision),
  );
}

function history(decision: Decision): HTMLElement | null {
  if (decision.history.length === 0) return null;
  return folding(
    "history", "history", `History (${decision.history_count})`,
    decision.history.length < decision.history_count && h("p", { class: "soft" }, `The newest ${decision.history.length}; all of it by \`route3d decide --history\`.`),
    h(
      "ol", {},
      decision.history.map((line) => {
        const more = "decided" in line ? [line.note, line.owner !== "" && `owner ${line.owner}`, line.due !== "" && `due ${line.due}`] : [line.why];
        const what = "decided" in line ? `${line.by}: ${DECIDED_WORDS[line.decided]?.words ?? line.decided}` : (EVENT_WORDS[line.event] ?? line.event);
        return h(
          "li", {}, h("span", { class: "soft when" }, moment(line.at)), h("b", {}, ` ${what}`),
          more.filter((part) => part !== false && part !== "").map((part) => h("span", {}, ` · ${String(part)}`)),
        );
      }),
    ),
  );
}

function form(state: State, store: Store, finding: Finding, id: string, decision: Decision | null, on: DecideActions): HTMLElement {
  const half = forms.get(id) ?? { decided: decision?.decided ?? "open", note: "", owner: decision?.owner ?? "", due: decision?.due ?? "", all: false };
  const keep = (patch: Partial<Form>): void => {
    Object.assign(half, patch);
    forms.set(id, half);
  };
  by ??= recall("decides") ?? "";
  const { sending, trouble, about } = state.deciding;
  const listed = passing(state.review, state.filter).map((f) => savedId(state.review, f)).filter((one) => one !== null);
  const said = h("p", { class: "trouble", role: "alert", id: "decide-trouble" }, about === id ? trouble : "");
  const reason = h("span", {}, "");
  const tellReason = (): void => fill(reason, NEEDS_REASON.includes(half.decided) ? "Reason" : "Note");
  tellReason();
  const send = (event: Event): void => {
    event.preventDefault();
    const order = { decided: half.decided, by: by ?? "", note: half.note, owner: half.owner, due: half.due };
    const lack = missing(order);
    if (lack !== "") {
      store.update({ deciding: { ...store.get().deciding, trouble: lack, about: id } });
      return;
    }
    remember("decides", order.by);
    on.decide({ ...order, about: id, findings: half.all && listed.length > 0 ? listed : [id] });
  };
  const name = `decide-${finding.id}`;
  return h(
    "details", { class: "decide", open: state.deciding.open, ontoggle: (event: Event) => {
      const { open, isConnected } = event.target as HTMLDetailsElement;
      if (isConnected && open !== store.get().deciding.open) store.update({ deciding: { ...store.get().deciding, open } });
    } },
    h("summary", { "data-key": "decide" }, decision === null || decision.history.length === 0 ? "Decide" : "Decide again"),
    h(
      "form", { onsubmit: send, "aria-describedby": "decide-trouble" },
      h(
        "div", { class: "words", role: "radiogroup", "aria-label": "Decision" },
        DECIDED.map((decided) =>
          h(
            "label", {},
            h("input", {
              type: "radio", name, value: decided, checked: half.decided === decided, "data-key": `decide-${decided}`,
              onchange: () => {
                keep({ decided });
                tellReason();
              },
            }),
            DECIDED_WORDS[decided].words,
          ),
        ),
      ),
      h("label", { class: "choice" }, reason, area(half.note, "decide-note", (note) => keep({ note }))),
      h(
        "div", { class: "fields" },
        line("Who decides", "decide-by", by, "name", (text) => {
          by = text;
        }),
        line("Owner: who has to act", "decide-owner", half.owner, "off", (owner) => keep({ owner })),
        h(
          "label", { class: "choice" }, h("span", {}, "Due"),
          h("input", { type: "date", "data-key": "decide-due", value: half.due, oninput: (event: Event) => keep({ due: (event.target as HTMLInputElement).value }) }),
        ),
      ),
      listed.length > 1 &&
        h(
          "label", { class: "check" },
          h("input", { type: "checkbox", "data-key": "decide-all", checked: half.all, onchange: (event: Event) => keep({ all: (event.target as HTMLInputElement).checked }) }),
          `the same for all ${listed.length} findings that are listed`,
        ),
      said,
      h(
        "div", { class: "buttons" },
        h("button", { type: "submit", class: "main", "data-key": "decide-send", disabled: sending || state.line.state !== "up" }, sending ? "Writing …" : "Keep this decision"),
      ),
    ),
  );
}

/** A decision was taken: what was typed for it is done with. */
export function formDone(id: string): void {
  forms.delete(id);
}

function line(label: string, key: string, value: string, autocomplete: string, take: (text: string) => void): HTMLElement {
  const input: HTMLInputElement = h("input", { type: "text", "data-key": key, value, maxlength: 200, autocomplete, oninput: () => take(input.value) });
  return h("label", { class: "choice" }, h("span", {}, label), input);
}

function area(value: string, key: string, take: (text: string) => void): HTMLElement {
  const input: HTMLTextAreaElement = h("textarea", { rows: 2, "data-key": key, maxlength: 4000, oninput: () => take(input.value) }, value);
  return input;
}

// --- the overview -------------------------------------------------------------------------------------------------------

export function decisionsSection(state: State, store: Store): HTMLElement {
  const { review } = state;
  if (!isKept(review)) {
    return section(
      "Decisions",
      h("p", { class: "soft" }, state.line.state === "report"
        ? "None are kept on this project."
        : "None are kept yet. The first one, made here or on the command line, begins the record; from then on every check says what is mended and what comes back."),
    );
  }
  const all = Object.values(review.decisions);
  const day = today();
  const late = all.filter((decision) => isOverdue(decision, day)).length;
  const lost = review.past_count - review.mended_count;
  return section(
    "Decisions",
    h(
      "ul", { class: "chips decisions" },
      DECIDED.map((decided) => {
        const count = all.filter((decision) => decision.decided === decided).length;
        return h(
          "li", {},
          h(
            "button",
            { type: "button", "data-key": `decided-${decided}`, title: "List only these", disabled: count === 0, onclick: () => store.update({ filter: { ...NO_FILTER, decided: [decided] } }) },
            h("b", {}, String(count)), " ", h("span", { class: `decided ${decided}` }, h("span", { class: "sign", "aria-hidden": "true" }, DECIDED_WORDS[decided].mark), DECIDED_WORDS[decided].words),
          ),
        );
      }),
      late > 0 &&
        h(
          "li", {},
          h(
            "button", { type: "button", class: "late", "data-key": "overdue", title: "List only these", onclick: () => store.update({ filter: { ...NO_FILTER, due: ["overdue"] } }) },
            h("b", {}, String(late)), h("span", { class: "overdue" }, " ! overdue"),
          ),
        ),
    ),
    h(
      "p", { class: "soft" },
      `${review.mended_count} mended so far`, lost > 0 && `; ${lost} no longer found, but not shown to be mended`, ".",
    ),
    past(review.past, review.past_count),
  );
}

function past(list: Past[], count: number): HTMLElement | null {
  if (list.length === 0) return null;
  return folding(
    "past", "past", `No longer found (${count})`,
    h(
      "ul", { class: "past-list" },
      list.map((one) =>
        h(
          "li", {},
          h("b", {}, one.run ?? "the job"), ` ${one.message}`,
          h("span", { class: "soft" }, ` · ${PRESENCE_WORDS[one.presence] ?? one.presence}${one.mended !== null ? `, ${moment(one.mended)}` : ""}`),
          one.decided !== "open" && h("span", { class: "soft" }, ` · was ${DECIDED_WORDS[one.decided].words}${one.owner !== "" ? `, ${one.owner}` : ""}`),
        ),
      ),
    ),
    list.length < count && h("p", { class: "soft" }, `${counted(count - list.length, "older one")}: see the workbook of the report.`),
  );
}
