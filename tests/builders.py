"""One line per scene: runs, cables, zones and what holds a run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from route3d.fit import fit_run
from route3d.kernel.path import straight_piece
from route3d.model.cable import Cable, ConductorSize
from route3d.model.finding import CHECKS
from route3d.model.gap import Gaps
from route3d.model.job import Job, Settings
from route3d.model.run import FittedRun, Run
from route3d.model.support import Attachment, Support, Termination
from route3d.model.zone import Zone, ZoneStretch
from route3d.rules.bend import required_bend
from route3d.rules.rulebook import RuleBook, load_rulebook
from route3d.scene import Scene

IN = 0.0254
FT = 0.3048


@cache
def book(name: str = "nec-2023") -> RuleBook:
    return load_rulebook(name, None)


def book_from(folder: Path, text: str) -> RuleBook:
    """Return the rule book of a project's own rule file."""
    (folder / "office.toml").write_text(text, encoding="utf-8")
    return load_rulebook("office.toml", folder)


def cable(method: str = "mc-interlocked", **given: Any) -> Cable:
    """Return a cable that every first-strap rule concerns; ``size`` as text."""
    values: dict[str, Any] = {
        "cable_id": "c",
        "method": method,
        "sheath_diameter_m": 0.012,
        "overall_diameter_m": 0.012,
        "conductors": 3,
        "size": "12 AWG",
    }
    values.update(given)
    if isinstance(values["size"], str):
        values["size"] = ConductorSize.parse(values["size"])
    return Cable(**values)


def straight_run(length_m: float, direction: Sequence[float] = (1.0, 0.0, 0.0), run_id: str = "R1") -> FittedRun:
    unit = np.asarray(direction, dtype=float) / np.linalg.norm(direction)
    corners = np.array([[0.0, 0.0, 3.0], np.array([0.0, 0.0, 3.0]) + length_m * unit])
    pieces = straight_piece(corners[0], corners[1], 0.0)[None, :]
    return FittedRun(Run(run_id, "c", corners), pieces, ())


def path_run(*corners: Sequence[float]) -> FittedRun:
    """Return a run of straight pieces with sharp corners."""
    points = np.asarray(corners, dtype=float)
    pieces, at = [], 0.0
    for a, b in pairwise(points):
        pieces.append(straight_piece(a, b, at))
        at += float(np.linalg.norm(b - a))
    return FittedRun(Run("R1", "c", points), np.array(pieces), ())


def bent_run(centre_radius_m: float, turn_deg: float = 90.0, bends: int = 1) -> FittedRun:
    """Return a run whose fitted bends all have one radius: legs just long enough for it."""
    turn = math.radians(turn_deg)
    setback = centre_radius_m * math.tan(turn / 2.0)
    points, heading = [np.zeros(3)], 0.0
    for number in range(bends + 1):
        leg = setback if number in (0, bends) else 2.0 * setback
        points.append(points[-1] + leg * np.array([math.cos(heading), math.sin(heading), 0.0]))
        heading += turn
    return fit_run(Run("R1", "c", np.array(points)), centre_radius_m, 1.0, 1e-6)


def block(low: Sequence[float], size: Sequence[float]) -> np.ndarray:
    """Return the triangles (12, 3, 3) of a closed box."""
    middle = np.asarray(low, dtype=float) + np.asarray(size, dtype=float) / 2.0
    return np.asarray(trimesh.creation.box(size, trimesh.transformations.translation_matrix(middle)).triangles)


def strap(at_m: float) -> Support:
    return Support(at_m, "strap", True, "test")


def hanger(at_m: float) -> Support:
    return Support(at_m, "hanger", False, "test")


def framing(at_m: float) -> Support:
    return Support(at_m, "framing", True, "test")


def zone(kind: str, name: str = "zone", **given: Any) -> Zone:
    return Zone(name, kind, (), **given)


def scene_for(
    fitted: FittedRun,
    of: Cable,
    supports: Sequence[Support | float] = (),
    zones: Sequence[tuple[Zone, float, float]] = (),
    *,
    start: str = "box",
    end: str = "box",
    occupancy: str = "other",
    rules: str | RuleBook = "nec-2023",
    checks: tuple[str, ...] = CHECKS,
    other_zones: Sequence[Zone] = (),
) -> Scene:
    """Return a scene of one run; numbers among ``supports`` are straps, ``zones`` are (zone, from_m, to_m)."""
    rule_book = book(rules) if isinstance(rules, str) else rules
    held = [s if isinstance(s, Support) else strap(s) for s in supports]
    for at_m, kind in ((0.0, start), (fitted.length_m, end)):
        if kind != "open":
            held.append(Support(at_m, "box" if kind in ("box", "cabinet") else "fitting", True, "test"))
    held.sort(key=lambda s: (s.at_m, not s.secures))
    unique_zones = tuple({id(z): z for z, _, _ in zones}.values()) + tuple(other_zones)
    job = Job(
        name="test",
        occupancy=occupancy,
        checks=checks,
        cables={of.cable_id: of},
        runs=(fitted.run,),
        elements=(),
        zones=unique_zones,
        clearance_m={},
        settings=Settings(),
    )
    return Scene(
        job=job,
        rules=rule_book,
        fitted=(fitted,),
        bend_required=(required_bend(of, rule_book),),
        attached=(Attachment(Termination(start, None), Termination(end, None), tuple(held)),),
        zones=(tuple(ZoneStretch(z, a, b) for z, a, b in zones),),
        gaps=Gaps((), np.array([np.inf])),
    )
