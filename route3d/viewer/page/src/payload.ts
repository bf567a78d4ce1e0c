/** What the server (or the report's embedded data) tells the page. Numbers are metres, relative to `origin_m`. */

export type Point = [number, number, number];
export type Verdict = "pass" | "fail" | "unchecked";
export type Severity = "violation" | "caution" | "note";
export type LengthUnit = "mm" | "cm" | "m" | "in" | "ft";

export interface Unread {
  file: string;
  handle: string;
  layer: string;
  kind: string;
  reason: string;
  box_m: [Point, Point] | null;
}

export interface Input {
  file: string;
  entities: number;
  triangles: number;
  unit: string;
}

export interface Role {
  colour: string;
  shown: boolean;
}

export interface CheckWords {
  title: string;
  /** Marker of the check: the same in the picture, the table and the strip. */
  shape: string;
}

export interface Cable {
  method: string;
  overall_diameter_m: number | null;
  required_inner_m: number | null;
  text: string;
}

export interface End {
  kind: string;
  element: string | null;
}

export interface Bend {
  at_m: number;
  point_m: Point;
  angle_deg: number;
  inner_radius_m: number;
  required_m: number | null;
  ratio: number | null;
  rule: string;
  source: string;
  required_arc_m: Point[] | null;
}

export interface Support {
  at_m: number;
  kind: string;
  secures: boolean;
  source: string;
  point_m: Point;
}

export interface Span {
  check: string;
  from_m: number;
  to_m: number;
  length_m: number;
  limit_m: number | null;
  exempt: string | null;
  rule: string;
  source: string;
  ok: boolean;
  why: string;
}

export interface ZoneStretch {
  name: string;
  kind: string;
  from_m: number;
  to_m: number;
}

export interface Run {
  id: string;
  cable: string;
  verdict: Verdict;
  length_m: number;
  radius_m: number | null;
  smallest_gap_m?: number | null;
  /** It has changes that are not saved. */
  changed?: boolean;
  /** It is not in the project yet. */
  added?: boolean;
  storey: string;
  source: "project" | "drawing";
  editable: boolean;
  corners_m: Point[];
  /** At each corner, 0 where no arc was drawn. */
  drawn_radius_m?: number[];
  start: End;
  end: End;
  line_m: Point[];
  line_at_m: number[];
  bends: Bend[];
  supports: Support[];
  spans: Span[];
  zones: ZoneStretch[];
  straps_at_m: number[];
  supports_at_m: number[];
}

export interface Finding {
  id: string;
  number: number;
  check: string;
  severity: Severity;
  run: string | null;
  other: string | null;
  rule: string;
  source: string;
  at_m: [number, number] | null;
  point_m: Point | null;
  measured: number | null;
  required: number | null;
  unit: string;
  message: string;
  remedy: string;
  unchecked: boolean;
  storey: string;
  group: string;
  gap_line_m: [Point, Point] | null;
}

export interface Step {
  step: string;
  text: string;
}

export interface Zone {
  name: string;
  kind: string;
  positions_m: Point[];
  indices: number[][];
  unclosed_m?: [Point, Point][];
}

export interface Summary {
  runs: number;
  runs_passed: number;
  runs_failed: number;
  runs_unchecked: number;
  violations: number;
  cautions: number;
  [name: string]: number;
}

export type Decided = "open" | "to-mend" | "accepted" | "not-ours";

/** One line of a history: somebody decided, or a check said something. */
export type HistoryLine =
  | { at: string; by: string; decided: Decided; note: string; owner: string; due: string }
  | { at: string; event: string; why: string };

/** What holds about a finding. */
export interface Decision {
  number: number;
  decided: Decided;
  by: string;
  /** When it was decided; empty: never. */
  at: string;
  note: string;
  owner: string;
  /** A date, or empty. */
  due: string;
  since: string;
  /** Its last match could have been another finding. */
  doubtful: boolean;
  /** Nobody has to act on it. */
  settled: boolean;
  /** The newest lines, oldest first, and how many there are in all. */
  history: HistoryLine[];
  history_count: number;
}

/** A finding that no check finds any more. */
export interface Past extends Decision {
  presence: string;
  mended: string | null;
  check: string;
  severity: Severity;
  run: string | null;
  message: string;
}

/** One recorded check. */
export interface Checkpoint {
  number: number;
  made: string;
  rules: string;
  violations: number;
  cautions: number;
  runs_pass: number;
  runs_fail: number;
  runs_unchecked: number;
  unread: number;
  new: number;
  mended: number;
  lost: number;
  returned: number;
}

/** Everything that is kept from check to check. */
export interface Book {
  /** By the id of the finding in the saved project. */
  decisions: Record<string, Decision>;
  decisions_number: number;
  /** Findings of a check that somebody recorded meanwhile, and that are not among those shown. */
  decisions_elsewhere: number;
  decisions_trouble: string;
  past: Past[];
  past_count: number;
  mended_count: number;
  trend: Checkpoint[];
}

/** What has changed in it; parts that did not are absent. */
export type DecisionNews = Partial<Book> & { decisions_gone?: string[] };

/** What a person decides; `about` is the finding at which it was typed. */
export interface DecideOrder {
  findings: string[];
  decided: Decided;
  by: string;
  note: string;
  owner: string;
  due: string;
  about: string;
}

export interface Review extends Book {
  format: number;
  revision: number;
  project: string;
  rules: string;
  made: string;
  caution: string;
  origin_m: Point;
  editable: boolean;
  live: boolean;
  units: { length: LengthUnit };
  summary: Summary;
  unread: Unread[];
  notes: string[];
  inputs: Input[];
  roles: Record<string, Role>;
  checks: Record<string, CheckWords>;
  cables: Record<string, Cable>;
  runs: Run[];
  findings: Finding[];
  chains: Record<string, Step[]>;
  zones: Zone[];
  /** Runs given by their ends only, whether a change that is not saved routes them or not. */
  without_route?: WithoutRoute[];
  plans: unknown;
  /** Where unsaved changes shifted the id of a finding: its id in the saved project; null: it is not in there. */
  saved_as: Record<string, string | null>;
  /** What is changed and not saved. */
  drafts?: Draft[];
}

export interface WithoutRoute {
  id: string;
  cable: string;
  radius_m: number | null;
  from_m: Point;
  to_m: Point;
  start: string | null;
  end: string | null;
}

/** One building element, as the header of building.bin lists it. */
export interface Element {
  id: string;
  role: string;
  layer: string;
  file: string;
  handle: string;
  name: string;
  storey: string;
  guid: string;
}

/** What the page sends of one edited run; keys that are absent stay as they are, null is as the project has it. */
export interface Edit {
  run: string;
  corners_m?: Point[];
  straps_at_m?: number[];
  supports_at_m?: number[];
  cable?: string;
  start?: string | null;
  end?: string | null;
  added?: boolean;
  deleted?: boolean;
}

/** One line for a run, which the whole check has passed, and the change that takes it over. */
export interface Option {
  id: string;
  kind: string;
  run: Run;
  draft: Edit;
  straps: number;
  holes: number;
  change: { moved_m: number; points_moved: number; new_corners: number; corners_gone: number; straps_added: number } | null;
  /** Elements that holes are made in. */
  passed: string[];
  /** Why it cannot be called passed. */
  unchecked: string[];
}

export interface Blocked {
  check: string;
  severity: Severity;
  run: string | null;
  other: string | null;
  message: string;
  point_m: Point | null;
}

export interface Proposed {
  say: "proposed";
  seq: number | null;
  run: string;
  what: "mend" | "routes";
  outcome: "found" | "blocked" | "passes" | "stopped" | "late";
  /** Of the state that it was computed on. */
  revision?: number;
  seconds: number;
  why: string;
  notes: string[];
  before: { holes: number } | null;
  least_m?: number;
  options: Option[];
  blocked: Blocked[];
  stuck: { from_m: number; to_m: number; why: string }[];
}

/** Asked beside drafts: nothing waits for the answer. */
export type Aside = { do: "mend" | "routes"; run: string } | { do: "stop"; of: number } | { do: "try"; proposal: string };

/** A run as the project has it, and as it is drafted. */
export interface Draft {
  before: Edit;
  after: Edit;
  /** It has arcs drawn in CAD. */
  arcs?: boolean;
}

export interface Drafts {
  count: number;
  since: string;
  unreadable: number;
}

export interface Camera {
  eye_m: Point;
  target_m: Point;
  up?: Point;
  projection: "orthographic" | "perspective";
  height_m?: number;
}

export interface SelectMessage {
  finding: string | null;
  run: string | null;
  element: string | null;
  camera: Camera | null;
}

/** Something with a surface: a run, or an element of the building. */
export type Thing = { run: string } | { element: string };

export interface Distance {
  gap_m: number;
  from_m: Point;
  to_m: Point;
}

export type ToServer =
  | { do: "draft"; seq: number; edits: Edit[] }
  | { do: "save" | "take-drafts" | "reload"; seq: number }
  | { do: "drop-drafts"; seq: number; all?: boolean }
  | ({ do: "decide"; seq: number } & DecideOrder)
  | (Aside & { seq: number })
  | { do: "distance"; seq: number; from: Thing; to: Thing }
  | ({ do: "select" } & SelectMessage);

/** `seq` is null where another window asked. */
export interface Checked {
  say: "checked";
  seq: number | null;
  revision: number;
  ms: number;
  /** Too much changed to be listed: the review is to be loaded again. */
  whole: boolean;
  runs: Run[];
  runs_gone: string[];
  findings: Finding[];
  findings_gone: string[];
  chains: Record<string, Step[]>;
  summary: Summary;
  unsaved: number;
  notes: string[];
  saved_as: Record<string, string | null>;
  /** Those in force, where drafts were taken up. */
  drafts?: Draft[];
}

export interface Hello {
  say: "hello";
  revision: number;
  editable: boolean;
  why_not_editable: string | null;
  unsaved: number;
  drafts: Drafts | null;
  input_changed: string[];
  decisions_number: number;
}

export type FromServer =
  | Hello
  | Checked
  | { say: "saved"; seq: number | null; files: string[]; notes?: string[]; unsaved: number }
  | { say: "failed"; seq: number | null; why: string }
  | ({ say: "distance"; seq: number | null } & Distance)
  | { say: "dropped"; seq: number | null; unsaved: number }
  | ({ say: "decided"; seq: number | null } & DecisionNews)
  | { say: "drafts"; drafts: Drafts | null }
  | { say: "working"; doing: string | null; share?: number | null }
  | ({ say: "selected" } & SelectMessage)
  | Proposed
  | { say: "searching"; seq: number; run: string; waiting: boolean; steps: number; seconds: number }
  | { say: "stopped"; seq: number | null; of: number }
  | { say: "input-changed"; files: string[] }
  | { say: "review-changed"; revision: number };
