import assert from "node:assert/strict";
import test from "node:test";
import { rulerMarks } from "../src/panels/strip";
import { roundLength, scaleWords } from "../src/scene/scale";
import { Lengths, METRES, feetInches, readLength } from "../src/units";

const close = (a: number | null, b: number): void => assert.ok(a !== null && Math.abs(a - b) < 1e-9, `${a} is not ${b}`);

test("feet and inches are those of the reports", () => {
  // the doctests of route3d/units.py
  assert.equal(feetInches(1.8288), "6 ft 0 in");
  assert.equal(feetInches(0.0381), "1-1/2 in");
  assert.equal(feetInches(0.3048), "1 ft 0 in");
  assert.equal(feetInches(1.526), "5 ft 0-1/16 in");
  assert.equal(feetInches(0), "0 in");
  assert.equal(feetInches(-0.1258), "-4-15/16 in");
});

test("a half is rounded as the report rounds it", () => {
  assert.equal(new Lengths("mm").show(0.04415), "44.2 mm"); // toFixed alone says 44.1
  assert.equal(new Lengths("mm").show(-0.12585), "-125.9 mm");
  assert.equal(new Lengths("mm").show(-0.00000001), "0.0 mm");
});

test("lengths are shown in the project's unit", () => {
  assert.equal(new Lengths("mm").show(3), "3000 mm");
  assert.equal(new Lengths("mm").show(12.3456), "12.346 m");
  assert.equal(new Lengths("m").show(3), "3.000 m");
  assert.equal(new Lengths("m").show(0.0819), "81.9 mm");
  assert.equal(new Lengths("cm").show(0.08185), "8.19 cm");
  assert.equal(new Lengths("cm").show(12.3456), "1234.6 cm");
  assert.equal(new Lengths("in").show(1.8288), "6 ft 0 in");
  assert.equal(new Lengths("ft").show(1.8288), "6 ft 0 in");
  assert.equal(new Lengths("ft").other(1.8288), "1829 mm");
});

test("a typed number is in the project's unit, unless it says another", () => {
  close(readLength("2900", "mm"), 2.9);
  close(readLength("2.9 m", "mm"), 2.9);
  close(readLength("2,9 m", "mm"), 2.9);
  close(readLength("7 ft 6 in", "mm"), 2.286);
  close(readLength("7' 6\"", "mm"), 2.286);
  close(readLength("1-1/2 in", "mm"), 0.0381);
  close(readLength("1 1/2", "in"), 0.0381);
  close(readLength("-25", "mm"), -0.025);
  close(readLength("\u2212 25.5 mm", "m"), -0.0255);
  close(readLength(".5", "m"), 0.5);
});

test("what is no length is refused, not guessed", () => {
  for (const text of ["", "abc", "1 2", "12 km", "6 in 7 ft", "1/0 in", "1,234,5", "NaN", "1e3", "3 ft 2"]) {
    assert.equal(readLength(text, "mm"), null, text);
  }
});

test("what is shown for typing comes back the same to a tenth of a millimetre", () => {
  for (const unit of ["mm", "cm", "m", "in", "ft"] as const) {
    const lengths = new Lengths(unit);
    for (const metres of [0, 2.9, 11.1614, -3.0871, 512.3456]) {
      const back = lengths.read(lengths.typed(metres));
      assert.ok(back !== null && Math.abs(back - metres) <= 1e-4, `${unit} ${metres} ${back}`);
    }
  }
});

test("the ruler counts in the project's unit, in steps that people count in", () => {
  const figures = (length: number, unit: "mm" | "cm" | "m" | "in" | "ft"): string => {
    const { unit: said, figures: some } = rulerMarks(length, 5, unit);
    return `${said}: ${some.map(({ figure }) => figure).join(" ")}`;
  };
  assert.equal(figures(3.03, "mm"), "mm: 0 1000 2000 3000");
  assert.equal(figures(3.03, "cm"), "cm: 0 100 200 300");
  assert.equal(figures(3.03, "m"), "m: 0 1 2 3");
  assert.equal(figures(3.03, "in"), "in: 0 24 48 72 96");
  assert.equal(figures(3.03, "ft"), "ft: 0 2 4 6 8");
  assert.equal(figures(0.1, "in"), "in: 0 1 2 3");
  assert.equal(figures(80, "in"), "in: 0 1200 2400");
  for (const unit of ["mm", "cm", "m", "in", "ft"] as const) {
    for (const length of [0.004, 0.7, 12, 450]) {
      const { figures: some } = rulerMarks(length, 8, unit);
      assert.ok(some.length >= 2 && some.length <= 9, `${unit} ${length}`);
      for (const { at_m, figure } of some) assert.ok(Math.abs(Number(figure) * METRES[unit] - at_m) < 1e-6 * Math.max(at_m, 1));
    }
  }
});

test("the scale in the corner speaks the project's unit", () => {
  assert.equal(scaleWords(roundLength(2.3, "m"), "mm"), "2000 mm");
  assert.equal(scaleWords(roundLength(23, "m"), "mm"), "20 m");
  assert.equal(scaleWords(roundLength(0.23, "m"), "m"), "200 mm");
  assert.equal(scaleWords(roundLength(2.3, "m"), "m"), "2 m");
  assert.equal(scaleWords(roundLength(0.23, "m"), "cm"), "20 cm");
  assert.equal(scaleWords(roundLength(0.9, "ft"), "ft"), "2 ft");
  assert.equal(scaleWords(roundLength(0.06, "in"), "in"), "2 in");
});

test("places get the origin back before they are rounded", () => {
  assert.equal(new Lengths("m").place([0.0004, 0, 0], [500000, 5400000, 12]), "500000.0004, 5400000, 12 m");
});
