/** The table of findings: thousands of rows, sorted and narrowed; up and down move the selection and the view. */

import {
  type CellComponent, type ColumnDefinition, FormatModule, InteractionModule, ResizeColumnsModule, ResizeTableModule,
  type RowComponent, SortModule, Tabulator,
} from "tabulator-tables";
import { DECIDED, decisionOf, dueOf, isKept, today } from "../decisions";
import { h } from "../dom";
import { passing } from "../filter";
import type { Decision, Finding, Severity } from "../payload";
import type { State, Store } from "../store";
import { elementWords } from "../store";
import type { Lengths } from "../units";
import { SEVERITIES, SEVERITY_MARKS, compared, marker } from "../words";
import { decidedWords, dueWords } from "./decisions";

Tabulator.registerModule([FormatModule, InteractionModule, ResizeColumnsModule, ResizeTableModule, SortModule]);

const WIDE_PX = 1000;
const WIDEST_PX = 1300;
const LIST_EVERY_MS = 250;

interface Row {
  id: string;
  number: number;
  severity: number;
  check: string;
  run: string;
  other: string;
  measured: number | null;
  required: number | null;
  message: string;
  rule: string;
  storey: string;
  decided: number;
  owner: string;
  due: string;
  decision: Decision | null;
  finding: Finding;
}

export class FindingsTable {
  private readonly table: Tabulator;
  private ready = false;
  private waiting = false;
  private listed_ms = -LIST_EVERY_MS;
  private shown = 0;
  private ids = new Set<string>();

  constructor(
    private readonly host: HTMLElement,
    private readonly store: Store,
    private readonly lengths: Lengths,
  ) {
    this.table = new Tabulator(host, {
      data: this.rows(store.get()),
      columns: this.columns(),
      index: "id",
      height: "100%",
      rowHeight: 28,
      layout: "fitColumns",
      columnDefaults: { headerSortTristate: false, resizable: "header", headerSort: true },
      initialSort: [{ column: "number", dir: "asc" }],
      placeholder: () => emptyWords(this.store.get()),
      rowFormatter: (row) => this.dress(row),
    });
    this.table.on("rowClick", (_event, row) => {
      this.store.select({ finding: (row.getData() as Row).id }, "table");
      host.focus({ preventScroll: true });
    });
    this.table.on("tableBuilt", () => {
      this.ready = true;
      this.label();
      this.headings();
      this.fit();
      new ResizeObserver(() => this.fit()).observe(host);
      this.show();
      this.follow(this.store.get());
    });
    host.tabIndex = 0;
    host.addEventListener("keydown", (event) => this.key(event));
    store.subscribe((now, before) => {
      if (now.review !== before.review || now.elements !== before.elements || now.filter !== before.filter) this.show();
      if (this.ready && isKept(now.review) !== isKept(before.review)) this.fit();
      if (now.selection.finding !== before.selection.finding) this.follow(now);
    });
  }

  /** The ids in the order on the screen. */
  private order(): string[] {
    return this.table.getRows("active").map((row) => (row.getData() as Row).id);
  }

  /** Move the selection by so many rows; used by the keys of the page too. */
  step(by: number): void {
    const ids = this.order();
    if (ids.length === 0) return;
    const chosen = this.store.get().selection.finding;
    const at = chosen === null ? -1 : ids.indexOf(chosen);
    const next = at < 0 ? (by > 0 ? 0 : ids.length - 1) : Math.min(Math.max(at + by, 0), ids.length - 1);
    const id = ids[next];
    if (id !== undefined) this.store.select({ finding: id }, "table");
  }

  private key(event: KeyboardEvent): void {
    if (event.ctrlKey || event.metaKey || event.altKey || (event.target as HTMLElement).closest(".tabulator-header")) return;
    const page = Math.max(Math.floor(this.host.clientHeight / 28) - 2, 1);
    const steps: Record<string, number> = {
      ArrowDown: 1, ArrowUp: -1, PageDown: page, PageUp: -page, Home: -this.shown, End: this.shown,
    };
    const by = steps[event.key];
    if (by !== undefined) {
      event.preventDefault();
      this.step(by);
    } else if (event.key === "Enter") {
      const { selection } = this.store.get();
      if (selection.finding !== null) this.store.select(selection, "table");
    }
  }

  private rows(state: State): Row[] {
    const listed = passing(state.review, state.filter);
    const day = today();
    this.shown = listed.length;
    this.ids = new Set(listed.map((finding) => finding.id));
    return listed.map((finding) => ({
      ...decided(state, finding, day),
      id: finding.id,
      number: finding.number,
      severity: SEVERITIES.indexOf(finding.severity),
      check: finding.check,
      run: finding.run ?? "",
      other: finding.other === null ? "" : elementWords(state, finding.other),
      measured: finding.measured,
      required: finding.required,
      message: finding.message,
      rule: finding.rule,
      storey: finding.storey,
      finding,
    }));
  }

  /** List anew; while checks come in one after the other, as in a drag, only a few times a second. */
  private show(): void {
    if (!this.ready || this.waiting) return;
    const left = this.listed_ms + LIST_EVERY_MS - performance.now();
    if (left > 0) {
      this.waiting = true;
      window.setTimeout(() => {
        this.waiting = false;
        this.show();
      }, left);
      return;
    }
    const rows = this.rows(this.store.get());
    const top = this.host.querySelector(".tabulator-tableholder")?.scrollTop ?? 0;
    void this.table.replaceData(rows).then(() => {
      const holder = this.host.querySelector(".tabulator-tableholder");
      if (holder !== null) holder.scrollTop = top;
      this.follow(this.store.get());
    });
    this.label();
    this.listed_ms = performance.now();
  }

  /** The library sorts by mouse only: headings get the focus too, and sort by Enter and space. */
  private headings(): void {
    for (const column of this.table.getColumns()) {
      const element = column.getElement();
      element.tabIndex = 0;
      element.title = "Sort by this";
      element.addEventListener("keydown", (event) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        event.stopPropagation();
        const up = element.getAttribute("aria-sort") !== "ascending";
        this.table.setSort(column.getField(), up ? "asc" : "desc");
      });
    }
  }

  /** On a narrow table the words of a finding need the room; rule and element are told in the panel beside. */
  private fit(): void {
    const width = this.host.clientWidth;
    const kept = isKept(this.store.get().review);
    const wanted: Record<string, boolean> = {
      decided: kept, owner: kept && width >= WIDE_PX, due: kept && width >= WIDE_PX,
      other: width >= (kept ? WIDEST_PX : WIDE_PX), rule: width >= (kept ? WIDEST_PX : WIDE_PX),
    };
    let changed = false;
    for (const [name, visible] of Object.entries(wanted)) {
      const column = this.table.getColumn(name);
      if (column.isVisible() === visible) continue;
      if (visible) column.show();
      else column.hide();
      changed = true;
    }
    if (changed) this.table.redraw(true);
  }

  private label(): void {
    const grid = this.host;
    grid.setAttribute("role", "grid");
    grid.setAttribute("aria-label", "Findings; up and down choose one");
    grid.setAttribute("aria-rowcount", String(this.shown));
    grid.setAttribute("aria-describedby", "table-keys");
    // the table as a whole has the focus, and scrolls with what is chosen
    grid.querySelector(".tabulator-tableholder")?.removeAttribute("tabindex");
  }

  /** Mark the chosen row, and bring it into sight. */
  private follow(state: State): void {
    if (!this.ready) return;
    for (const row of this.table.getRows("visible")) this.dress(row);
    // a row may be taken out while it has the focus; the table as a whole keeps it
    if (this.host.querySelector(".tabulator-row:focus") !== null) this.host.focus({ preventScroll: true });
    const id = state.selection.finding;
    if (id === null) {
      this.host.removeAttribute("aria-activedescendant");
      return;
    }
    if (!this.ids.has(id)) return;
    const row = this.table.getRow(id);
    void this.table
      .scrollToRow(id, "nearest", false)
      .catch(() => undefined) // the row went with the next check
      .then(() => {
        this.dress(row);
        this.host.setAttribute("aria-activedescendant", row.getElement().id);
      });
  }

  private dress(row: RowComponent): void {
    const { id, finding } = row.getData() as Row;
    const element = row.getElement();
    const chosen = this.store.get().selection.finding === id;
    element.id = `row-${id}`;
    element.tabIndex = chosen ? 0 : -1;
    element.classList.toggle("chosen", chosen);
    element.classList.toggle("violation", finding.severity === "violation");
    element.setAttribute("aria-selected", String(chosen));
  }

  private columns(): ColumnDefinition[] {
    const text = (name: keyof Row, title: string, grow: number, least: number): ColumnDefinition => ({
      title, field: name, widthGrow: grow, minWidth: least, formatter: plain,
    });
    const size = (name: "measured" | "required", title: string): ColumnDefinition => ({
      title, field: name, width: 92, hozAlign: "right", headerHozAlign: "right", sorter: "number",
      sorterParams: { alignEmptyValues: "bottom" } as never,
      formatter: (cell) => {
        const { finding } = cell.getRow().getData() as Row;
        const [got, asked] = compared(finding, (metres) => this.lengths.show(metres));
        const value = name === "measured" ? finding.measured : finding.required;
        const other = value !== null && finding.unit === "m" ? this.lengths.other(value) : "";
        return h("span", { class: "figure", title: other }, name === "measured" ? got : asked);
      },
    });
    const all: ColumnDefinition[] = [
      { title: "No.", field: "number", width: 60, hozAlign: "right", sorter: "number", formatter: plain },
      {
        title: "Severity", field: "severity", width: 96, sorter: "number",
        formatter: (cell) => severity((cell.getRow().getData() as Row).finding),
      },
      {
        title: "Check", field: "check", width: 116,
        formatter: (cell) => {
          const { finding } = cell.getRow().getData() as Row;
          const about = this.store.get().review.checks[finding.check];
          return h(
            "span", { class: "with-mark", title: about?.title ?? "" },
            marker(finding.check, finding.severity, about?.shape), finding.check,
          );
        },
      },
      text("run", "Run", 0, 96),
      text("message", "What is wrong", 6, 180),
      size("measured", "Measured"),
      size("required", "Required"),
      { title: "Decided", field: "decided", width: 98, sorter: "number", visible: false, formatter: (cell) => decidedWords((cell.getRow().getData() as Row).decision) },
      { ...text("owner", "Owner", 1, 84), visible: false },
      {
        title: "Due", field: "due", width: 112, visible: false, sorter: "alphanum", sorterParams: { alignEmptyValues: "bottom" } as never,
        formatter: (cell) => dueWords((cell.getRow().getData() as Row).decision),
      },
      text("other", "Against", 2, 92),
      text("rule", "Rule", 2, 92),
      text("storey", "Storey", 0, 76),
    ];
    return all.filter((column) => column.field !== "storey" || this.store.get().review.findings.some((f) => f.storey !== ""));
  }
}

function decided(state: State, finding: Finding, day: string): Pick<Row, "decided" | "owner" | "due" | "decision"> {
  const decision = decisionOf(state.review, finding);
  const late = dueOf(decision, day) === "overdue" ? 0 : DECIDED.length;
  return { decided: DECIDED.indexOf(decision?.decided ?? "open") + late, owner: decision?.owner ?? "", due: decision?.due ?? "", decision };
}

/** The words of a severity with the sign that repeats its colour. */
export function severity(finding: { severity: Severity; unchecked: boolean }): HTMLElement {
  return h(
    "span",
    { class: `severity ${finding.severity}`, title: finding.unchecked ? "because of this the run cannot be called passed" : "" },
    h("span", { class: "sign", "aria-hidden": "true" }, SEVERITY_MARKS[finding.severity]),
    finding.severity,
  );
}

function plain(cell: CellComponent): HTMLElement {
  const value: unknown = cell.getValue();
  const text = value === null || value === undefined ? "" : String(value);
  return h("span", { title: text }, text);
}

function emptyWords(state: State): string {
  // tabulator sets this as markup: fixed words only
  if (state.review.findings.length > 0) return "No finding matches. Widen the choice above, or clear it.";
  return state.review.summary.runs_unchecked > 0
    ? "No finding, but not every run could be checked fully."
    : "No finding.";
}
