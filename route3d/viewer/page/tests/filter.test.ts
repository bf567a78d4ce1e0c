import assert from "node:assert/strict";
import test from "node:test";
import { NO_FILTER, isOpen, passing } from "../src/filter";
import { read, written } from "../src/link";
import { finding, review } from "./made";

const ALL = [
  finding({ id: "a", number: 1, check: "bend", run: "L1" }),
  finding({ id: "b", number: 2, check: "clash", run: "L2", group: "duct", severity: "caution" }),
  finding({ id: "c", number: 12, check: "clash", run: null, group: "", storey: "Level 2", message: "Über <b>dem</b> Kanal" }),
];

const ids = (filter: object): string[] => passing(review({ findings: ALL }), { ...NO_FILTER, ...filter }).map((f) => f.id);

test("an empty filter lists everything", () => {
  assert.deepEqual(ids({}), ["a", "b", "c"]);
  assert.ok(isOpen(NO_FILTER) && isOpen({ ...NO_FILTER, text: "  " }) && !isOpen({ ...NO_FILTER, runs: ["L1"] }));
});

test("fields narrow together, values of one field add up", () => {
  assert.deepEqual(ids({ checks: ["clash"] }), ["b", "c"]);
  assert.deepEqual(ids({ checks: ["clash"], severities: ["caution"] }), ["b"]);
  assert.deepEqual(ids({ runs: ["L1", "L2"] }), ["a", "b"]);
});

test("findings of no run, group or storey can be asked for too", () => {
  assert.deepEqual(ids({ runs: [""] }), ["c"]);
  assert.deepEqual(ids({ storeys: [""] }), ["a", "b"]);
});

test("every word of the text has to occur, in any case and any column", () => {
  assert.deepEqual(ids({ text: "ÜBER kanal" }), ["c"]);
  assert.deepEqual(ids({ text: "clash l2" }), ["b"]);
  assert.deepEqual(ids({ text: "#12" }), ["c"]);
  assert.deepEqual(ids({ text: "clash nothing" }), []);
});

test("a place survives its way through the address", () => {
  const place = {
    finding: "clash-1&2#3", run: null, element: null, tab: "run" as const,
    filter: { ...NO_FILTER, text: "a & b", checks: ["bend", "clash"], runs: ["", "L1=ä"] },
    camera: { eye_m: [1.5, -2.25, 3], target_m: [0, 0, 0], up: [0, 0, 1], projection: "orthographic", height_m: 4.5 } as const,
  };
  assert.deepEqual(read(`#${written(place as never)}`), place);
});

test("an address that makes no sense opens the page all the same", () => {
  const place = read("#tab=nonsense&camera=p_1_2_x&finding=");
  assert.equal(place.tab, null);
  assert.equal(place.camera, null);
  assert.deepEqual(place.filter, NO_FILTER);
});
