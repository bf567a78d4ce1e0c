"""The tables of a take-off, as every deliverable shows them: headings with their unit, rows of text and numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from route3d.model.plan import CableCut, CutLength, Material, TakeOff
from route3d.units import feet_inches

Cell = str | int | float | None

FOOT_M = 0.3048
NOT_SAID = "not said"
NAMES_SHOWN = 12  # of what one remark is about; the table of lengths has them all


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its heading, how numbers in it are shown (m, ft, kg, count, money, or text), and its width."""

    heading: str
    shows: str = "text"
    width: int = 12


@dataclass(frozen=True, slots=True)
class Rows:
    """One table."""

    name: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


def tables(takeoff: TakeOff) -> tuple[Rows, ...]:
    """Return all tables, in the order in which people read them."""
    return (
        cable_rows(takeoff),
        length_rows(takeoff),
        part_rows(takeoff),
        coil_rows(takeoff),
        material_rows(takeoff),
        material_by_run_rows(takeoff),
        material_by_cable_rows(takeoff),
        storey_rows(takeoff),
        panel_rows(takeoff),
    )


def cable_rows(takeoff: TakeOff) -> Rows:
    """Return what is cut and bought of each cable."""
    columns = (
        Column("cable", width=18),
        Column("runs", "count", 8),
        Column("cut m", "m"),
        Column("cut ft", "ft"),
        Column("bought m", "m"),
        Column("bought ft", "ft"),
        Column("at least m", "m"),
        Column("proven", width=9),
        Column("cost", "money"),
        Column("at least cost", "money", 14),
        Column("offcuts kept", "count"),
        Column("weight kg", "kg"),
        Column("too long for any coil", width=24),
        Column("stock", width=40),
    )
    return Rows("cables", columns, tuple(_cable_row(takeoff, cut) for cut in takeoff.cables))


def _cable_row(takeoff: TakeOff, cut: CableCut) -> tuple[Cell, ...]:
    lengths = [length for length in takeoff.lengths if length.cable_id == cut.cable_id]
    total = math.fsum(length.total_m for length in lengths)
    return (
        cut.cable_id,
        len(lengths),
        total,
        total / FOOT_M,
        cut.bought_m,
        cut.bought_m / FOOT_M,
        cut.bought_bound_m,
        "yes" if cut.proven else "no",
        cut.cost,
        cut.cost_bound,
        sum(coil.reusable for coil in cut.coils),
        weight(lengths),
        ", ".join(cut.too_long),
        cut.stock_source,
    )


def weight(lengths: Sequence[CutLength]) -> float | None:
    """Return the weight of some runs; None where that of one is not known."""
    known = [length.weight_kg for length in lengths if length.weight_kg is not None]
    return math.fsum(known) if len(known) == len(lengths) else None


def length_rows(takeoff: TakeOff) -> Rows:
    """Return the cut list, one row per run."""
    columns = (
        Column("run", width=18),
        Column("cable", width=18),
        Column("storey", width=14),
        Column("panel", width=18),
        Column("fitted m", "m"),
        Column("start m", "m"),
        Column("end m", "m"),
        Column("slack and sag m", "m", 15),
        Column("waste m", "m"),
        Column("cut m", "m"),
        Column("cut ft", "ft"),
        Column("on the tape", width=14),
        Column("weight kg", "kg"),
        Column("coil", width=14),
        Column("feed in at", width=10),
        Column("why", width=60),
        Column("not sure of", width=60),
    )
    coils = _coils_of_runs(takeoff)
    return Rows(
        "lengths",
        columns,
        tuple(
            (
                length.run_id,
                length.cable_id,
                length.storey or NOT_SAID,
                length.group,
                length.fitted_m,
                _sum(length, "start:"),
                _sum(length, "end:"),
                _sum(length, "slack", "sag"),
                _sum(length, "feeder", "waste", "rounded up"),
                length.total_m,
                length.total_m / FOOT_M,
                feet_inches(length.total_m),
                length.weight_kg,
                coils.get(length.run_id, "none"),
                length.pull_from,
                length.pull_why,
                "; ".join(length.unsure),
            )
            for length in takeoff.lengths
        ),
    )


def _sum(length: CutLength, *names: str) -> float:
    return math.fsum(part.length_m for part in length.parts if part.name.startswith(names))


def _coils_of_runs(takeoff: TakeOff) -> dict[str, str]:
    coils: dict[str, list[int]] = {}
    for cut in takeoff.cables:
        for coil in cut.coils:
            for run_id, _ in coil.cuts:
                coils.setdefault(run_id, []).append(coil.number)
    return {run_id: _numbers(sorted(numbers)) for run_id, numbers in coils.items()}


def _numbers(numbers: Sequence[int]) -> str:
    """Return numbers with neighbours drawn together: 1, 2, 3, 7 -> "1–3, 7"."""
    spans: list[list[int]] = []
    for n in numbers:
        if spans and n == spans[-1][1] + 1:
            spans[-1][1] = n
        else:
            spans.append([n, n])
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in spans)


def part_rows(takeoff: TakeOff) -> Rows:
    """Return what each cut length is made of, with the source of each allowance."""
    columns = (Column("run", width=18), Column("part", width=24), Column("m", "m"), Column("source", width=70))
    rows: list[tuple[Cell, ...]] = []
    for length in takeoff.lengths:
        rows.append((length.run_id, "fitted line", length.fitted_m, "measured, with its bends"))
        rows += [(length.run_id, part.name, part.length_m, part.source) for part in length.parts]
    return Rows("parts", columns, tuple(rows))


def coil_rows(takeoff: TakeOff) -> Rows:
    """Return the coil plan, one row per cut, in the order of cutting."""
    columns = (
        Column("cable", width=18),
        Column("coil", "count", 8),
        Column("stock", width=18),
        Column("coil m", "m"),
        Column("cut", "count", 6),
        Column("run", width=18),
        Column("cut m", "m"),
        Column("cut ft", "ft"),
        Column("on the tape", width=14),
        Column("from m", "m"),
        Column("to m", "m"),
        Column("left in coil m", "m", 14),
        Column("what is left", width=14),
    )
    rows: list[tuple[Cell, ...]] = []
    for cut in takeoff.cables:
        for coil in cut.coils:
            at = 0.0
            for number, (run_id, length) in enumerate(coil.cuts, start=1):
                last = number == len(coil.cuts)
                kept = "reusable" if coil.reusable else "scrap" if coil.left_m > 0.0 else "nothing"
                taken = (length, length / FOOT_M, feet_inches(length), at, at + length)
                left = (coil.left_m, kept) if last else (None, "")
                rows.append((coil.cable_id, coil.number, coil.stock, coil.length_m, number, run_id, *taken, *left))
                at += length
        rows += [
            (cut.cable_id, None, "too long for any coil", None, None, run, *[None] * 6, "") for run in cut.too_long
        ]
    return Rows("coils", columns, tuple(rows))


def material_rows(takeoff: TakeOff) -> Rows:
    """Return the list of material."""
    columns = (
        Column("kind", width=12),
        Column("size", width=24),
        Column("detail", width=40),
        Column("count", "count", 8),
        Column("source", width=50),
    )
    rows = tuple((m.kind, m.size, m.detail, m.count, m.source) for m in takeoff.material)
    return Rows("material", columns, rows)


def material_by_run_rows(takeoff: TakeOff) -> Rows:
    """Return the list of material run by run."""
    columns = (
        Column("run", width=18),
        Column("kind", width=12),
        Column("size", width=24),
        Column("detail", width=40),
        Column("count", "count", 8),
    )
    order = {length.run_id: n for n, length in enumerate(takeoff.lengths)}
    found = [(order[run], (run, m.kind, m.size, m.detail, n)) for m in takeoff.material for run, n in m.by_run.items()]
    return Rows("material by run", columns, tuple(row for _, row in sorted(found, key=lambda r: r[0])))


def material_by_cable_rows(takeoff: TakeOff) -> Rows:
    """Return the list of material cable by cable."""
    columns = (
        Column("cable", width=18),
        Column("kind", width=12),
        Column("size", width=24),
        Column("detail", width=40),
        Column("runs", "count", 8),
        Column("count", "count", 8),
    )
    cables = {length.run_id: length.cable_id for length in takeoff.lengths}
    rows: list[tuple[Cell, ...]] = []
    for cable_id in sorted(set(cables.values())):
        for line in takeoff.material:
            count, runs = _of(line, cables, cable_id)
            if count:
                rows.append((cable_id, line.kind, line.size, line.detail, runs, count))
    return Rows("material by cable", columns, tuple(rows))


def storey_rows(takeoff: TakeOff) -> Rows:
    """Return cable and material of each storey."""
    columns = (
        Column("storey", width=18),
        Column("what", width=14),
        Column("size", width=24),
        Column("detail", width=40),
        Column("runs", "count", 8),
        Column("m", "m"),
        Column("ft", "ft"),
        Column("kg", "kg"),
        Column("count", "count", 8),
    )
    storeys = {length.run_id: length.storey or NOT_SAID for length in takeoff.lengths}
    rows: list[tuple[Cell, ...]] = []
    for storey in sorted(set(storeys.values())):
        for cut in takeoff.cables:
            here = [x for x in takeoff.lengths if x.cable_id == cut.cable_id and storeys[x.run_id] == storey]
            if here:
                total = math.fsum(length.total_m for length in here)
                rows.append((storey, "cable", "", cut.cable_id, len(here), total, total / FOOT_M, weight(here), None))
        for line in takeoff.material:
            count, runs = _of(line, storeys, storey)
            if count:
                rows.append((storey, line.kind, line.size, line.detail, runs, None, None, None, count))
    return Rows("by storey", columns, tuple(rows))


def _of(line: Material, belongs: dict[str, str], to: str) -> tuple[int, int]:
    """Return how many of a line are of runs that belong there, and of how many runs."""
    here = [count for run, count in line.by_run.items() if belongs[run] == to]
    return sum(here), len(here)


def panel_rows(takeoff: TakeOff) -> Rows:
    """Return the home runs and feeders of each panel."""
    columns = (
        Column("panel", width=24),
        Column("run", width=18),
        Column("cable", width=18),
        Column("what", width=10),
        Column("cut m", "m"),
        Column("cut ft", "ft"),
        Column("weight kg", "kg"),
    )
    home = sorted((x for x in takeoff.lengths if x.group), key=lambda x: (x.group, x.feeder, x.run_id))
    return Rows(
        "home runs",
        columns,
        tuple(
            (x.group, x.run_id, x.cable_id, "feeder" if x.feeder else "home run", x.total_m, x.total_m / FOOT_M,
             x.weight_kg)
            for x in home
        ),
    )  # fmt: skip


def remarks(takeoff: TakeOff) -> tuple[str, ...]:
    """Return all that a reader has to know: what is too long, what is not sure and of which runs, and the notes."""
    said: dict[str, list[str]] = {}
    for cut in takeoff.cables:
        for run in cut.too_long:
            said.setdefault(cut.too_long_advice, []).append(run)
    for cut in takeoff.cables:
        for why in cut.unsure:
            said.setdefault(why, []).append(cut.cable_id)
    for length in takeoff.lengths:
        for why in length.unsure:
            said.setdefault(why, []).append(length.run_id)
    return (*(f"{_named(names)}: {why}" for why, names in said.items()), *takeoff.notes)


def _named(names: Sequence[str]) -> str:
    shown = ", ".join(names[:NAMES_SHOWN])
    return shown if len(names) <= NAMES_SHOWN else f"{shown} and {len(names) - NAMES_SHOWN} more"
