"""A review as the page gets it: plain dictionaries, every coordinate relative to one origin.

What runs and findings say is taken from the results as they are written for other programs, so that the page never says
anything else; here they get what a picture needs besides.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.drawables import ROLE_COLOURS, origin_of
from route3d.kernel.path import points_at
from route3d.kernel.shapes import welded
from route3d.model.cable import Cable
from route3d.model.element import ROLES
from route3d.model.finding import CHECKS, Finding, Review, RunReview, Step
from route3d.model.job import Job
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.rules.bend import required_bend
from route3d.rules.provenance import provenance
from route3d.rules.rulebook import RuleBook
from route3d.units import METRES_PER_UNIT, millimetres
from route3d.viewer.page_gaps import Gaps
from route3d.viewer.page_lines import chord_lines, required_arc
from route3d.viewer.page_storeys import Storeys

Floats = NDArray[np.float64]
Results = Callable[[Review], Mapping[str, Any]]  # route3d.reports.results_json.results, handed in by the command

CHECK_TITLES: Mapping[str, str] = {
    "bend": "Bend radius",
    "clash": "Overlap",
    "clearance": "Clearance",
    "securing": "Securing",
    "supporting": "Supporting",
    "environment": "Environment",
    "framing": "Framing",
    "deck": "Gap below deck",
    "bundle": "Bundle",
    "separation": "Separation",
    "penetration": "Penetration",
    "input": "Not known",
}

# Corners come back from the page: to a micrometre. Lines are only looked at: to a hundredth of a millimetre.
_CORNER_DECIMALS, _LINE_DECIMALS = 6, 5


class Numbers:
    """The number of each finding: its place in worst-first order, and later ones as they appear; never used twice."""

    def __init__(self, review: Review) -> None:
        self._of = {finding.finding_id: number for number, finding in enumerate(review.findings, start=1)}
        self._counting = Lock()

    def of(self, finding_id: str) -> int:
        """Return the number of a finding, a new one where it has none."""
        number = self._of.get(finding_id)
        if number is not None:
            return number
        with self._counting:
            return self._of.setdefault(finding_id, len(self._of) + 1)


class Sources(Mapping[str, str]):
    """Where the value of each rule comes from, looked up as it is cited."""

    def __init__(self, rules: RuleBook) -> None:
        self._rules = rules
        self._known: dict[str, str] = {}

    def __getitem__(self, rule: str) -> str:
        if rule not in self._known:
            self._known[rule] = provenance(self._rules, rule)
        return self._known[rule]

    def __contains__(self, rule: object) -> bool:
        return isinstance(rule, str)

    def __iter__(self) -> Iterator[str]:
        return iter(self._known)

    def __len__(self) -> int:
        return len(self._known)


@dataclass(frozen=True, slots=True, eq=False)
class PageMaker:
    """Turns reviews of one job into what the page gets; ``origin_m`` stays the same while runs are edited."""

    job: Job  # as it was read: elements, zones and cables
    rules: RuleBook
    results: Results
    origin_m: Floats
    numbers: Numbers
    storeys: Storeys
    gaps: Gaps
    sources: Sources
    unit: str = "mm"  # the project's, for display
    editable: Callable[[str], bool] = field(default=lambda run_id: True)  # runs that can be saved
    project_file: str = ""  # runs that it states come from there, all others from drawings

    @classmethod
    def of(
        cls,
        job: Job,
        review: Review,
        rules: RuleBook,
        results: Results,
        *,
        gaps: Gaps | None = None,
        unit: str = "mm",
        editable: Callable[[str], bool] = lambda run_id: True,
        project_file: str = "",
        origin_m: Floats | None = None,
    ) -> PageMaker:
        """Return the maker for a job and its first review; ``origin_m`` where another than their middle is wanted."""
        return cls(
            job,
            rules,
            results,
            origin_of(job, review) if origin_m is None else origin_m,
            Numbers(review),
            Storeys(job),
            Gaps(job) if gaps is None else gaps,
            Sources(rules),
            unit,
            editable,
            project_file,
        )

    # --- the whole -------------------------------------------------------------------------------------------------

    def review(
        self,
        review: Review,
        *,
        revision: int = 0,
        editable: bool = False,
        live: bool = False,
        chains_max: int | None = None,
    ) -> dict[str, Any]:
        """Return the whole review.

        ``live`` says that the page can ask for checks, ``editable`` that it may save. The chains of only the worst
        ``chains_max`` findings are in it: where there are many, most are never read, and the page can ask for one.
        """
        fitted = {run.fitted.run.run_id: run for run in review.runs}
        return {
            "format": 1,
            "revision": revision,
            "project": review.project,
            "rules": review.rules,
            "made": review.made,
            "caution": review.caution,
            "origin_m": self.origin_m.tolist(),
            "editable": editable,
            "live": live,
            "units": {"length": self.unit if self.unit in METRES_PER_UNIT else "m"},
            "summary": dict(review.summary),
            "unread": [
                {**row, "box_m": None if row["box_m"] is None else self._local(row["box_m"], _LINE_DECIMALS)}
                for row in self.results(Review("", "", "", (), (), (), review.unread))["unread"]
            ],
            "notes": list(review.notes),
            "inputs": [
                {"file": i.file, "entities": i.entities, "triangles": i.triangles, "unit": i.unit}
                for i in review.inputs
            ],
            "roles": {
                role: {"colour": "#{:02x}{:02x}{:02x}".format(*ROLE_COLOURS[role]), "shown": True}
                for role in ROLES
                if role in ROLE_COLOURS
            },
            "checks": {name: {"title": CHECK_TITLES[name], "shape": name} for name in CHECKS},
            "cables": {name: self._cable(cable) for name, cable in self.job.cables.items()},
            "runs": self.runs(review.runs),
            "findings": self.findings(review.findings, fitted),
            "chains": {f.finding_id: chain_of(review.chains, f.finding_id) for f in review.findings[:chains_max]},
            "zones": [self._zone(zone) for zone in self.job.zones],
            "without_route": [self._ends(run) for run in self.job.unrouted],
            "plans": None,
        }

    # --- parts -----------------------------------------------------------------------------------------------------

    def runs(self, runs: Sequence[RunReview]) -> list[dict[str, Any]]:
        """Return runs of a review."""
        rows = self._rows(runs=tuple(runs))["runs"]
        lines = chord_lines([run.fitted.pieces for run in runs])
        return [self._run(run, row, *line) for run, row, line in zip(runs, rows, lines, strict=True)]

    def findings(self, findings: Sequence[Finding], runs: Mapping[str, RunReview]) -> list[dict[str, Any]]:
        """Return findings of a review; ``runs`` holds at least those that they speak of."""
        rows = self._rows(findings=tuple(findings))["findings"]
        fitted = {run_id: run.fitted for run_id, run in runs.items()}
        lines = self.gaps.lines(findings, fitted)
        return [
            self._finding(finding, row, line, runs) for finding, row, line in zip(findings, rows, lines, strict=True)
        ]

    def _rows(
        self, runs: tuple[RunReview, ...] = (), findings: tuple[Finding, ...] = ()
    ) -> Mapping[str, Sequence[Mapping[str, Any]]]:
        """Return the results of these runs or findings and nothing else; chains are told apart from them."""
        return self.results(Review("", "", "", runs, findings, (), (), sources=self.sources))

    def _local(self, points: Any, decimals: int) -> Any:
        """Return points in building axes as nested lists relative to the origin."""
        array = np.asarray(points, dtype=np.float64)
        return np.round(array.reshape(-1, 3) - self.origin_m, decimals).reshape(array.shape).tolist()

    def _place(self, point_m: Sequence[float]) -> list[float]:
        """Return one point: without an array, since there are many."""
        (x, y, z), (ox, oy, oz) = point_m, self._zero
        return [round(x - ox, _LINE_DECIMALS), round(y - oy, _LINE_DECIMALS), round(z - oz, _LINE_DECIMALS)]

    @property
    def _zero(self) -> list[float]:
        return self.origin_m.tolist()  # type: ignore[no-any-return]

    def _run(self, run: RunReview, row: Mapping[str, Any], line: Floats, line_at: Floats) -> dict[str, Any]:
        drawn = run.fitted.run
        radius_m = self.job.cables[drawn.cable_id].radius_m
        bends = [
            {
                **bend,
                "point_m": self._place(judged.bend.point_m),
                "required_arc_m": self._required(run, judged, radius_m),
            }
            for judged, bend in zip(run.bends, row["bends"], strict=True)
        ]
        at = np.array([support.at_m for support in run.attachment.supports])
        places = points_at(run.fitted.pieces, at) if len(at) and len(run.fitted.pieces) else np.zeros((len(at), 3))
        return {
            **row,
            "radius_m": radius_m,
            "storey": self.storeys.of_run(run),
            "source": "project" if drawn.file == self.project_file else "drawing",
            "editable": self.editable(drawn.run_id),
            "corners_m": self._local(drawn.corners_m, _CORNER_DECIMALS),
            "drawn_radius_m": np.round(drawn.drawn_radius_m, _CORNER_DECIMALS).tolist(),
            "line_m": self._local(line, _LINE_DECIMALS),
            "line_at_m": np.round(line_at, _LINE_DECIMALS).tolist(),
            "bends": bends,
            "supports": [
                {**support, "point_m": point}
                for support, point in zip(row["supports"], self._local(places, _LINE_DECIMALS), strict=True)
            ],
            "zones": [{"name": z.pop("zone"), **z} for z in map(dict, row["zones"])],
            "straps_at_m": list(drawn.straps_at_m),
            "supports_at_m": list(drawn.supports_at_m),
        }

    def _ends(self, run: Run) -> dict[str, Any]:
        """Return a run of which only the ends are given."""
        start, end = self._local(run.corners_m, _CORNER_DECIMALS)
        return {
            "id": run.run_id,
            "cable": run.cable_id,
            "radius_m": self.job.cables[run.cable_id].radius_m,
            "from_m": start,
            "to_m": end,
            "start": run.start,
            "end": run.end,
        }

    def _required(self, run: RunReview, judged: Any, radius_m: float | None) -> Any:
        arc = required_arc(run.fitted.pieces, judged, 0.0 if radius_m is None else radius_m)
        return None if arc is None else self._local(arc, _LINE_DECIMALS)

    def _finding(
        self,
        finding: Finding,
        row: Mapping[str, Any],
        line: tuple[Floats, Floats] | None,
        runs: Mapping[str, RunReview],
    ) -> dict[str, Any]:
        shown = {key: value for key, value in row.items() if key != "chain"}
        element = self.job.element(finding.other)
        run = runs.get(finding.run or "")
        storey = self.storeys.of_element.get(finding.other or "", "") if element is not None else ""
        return {
            **shown,
            "number": self.numbers.of(finding.finding_id),
            "point_m": None if finding.point_m is None else self._place(finding.point_m),
            "storey": storey if storey or run is None else self.storeys.of_run(run),
            "group": element.role if element is not None else "run" if finding.other in runs else "",
            "gap_line_m": None if line is None else [self._place(end.tolist()) for end in line],
        }

    def _cable(self, cable: Cable) -> dict[str, Any]:
        made_of = [cable.method]
        if cable.conductors is not None and cable.size is not None:
            made_of.append(f"{cable.conductors} × {cable.size.text}")
        if cable.trade_size is not None:
            made_of.append(f"trade size {cable.trade_size}")
        if cable.overall_diameter_m is not None:
            made_of.append(f"{millimetres(cable.overall_diameter_m)} overall")
        return {
            "method": cable.method,
            "overall_diameter_m": cable.overall_diameter_m,
            "required_inner_m": required_bend(cable, self.rules).inner_radius_m,
            "text": ", ".join(made_of),
        }

    def _zone(self, zone: Zone) -> dict[str, Any]:
        solids = [solid - self.origin_m for solid in zone.solids_m if len(solid)]
        points, faces = welded(np.concatenate(solids)) if solids else (np.empty((0, 3)), np.empty((0, 3), np.int64))
        return {
            "name": zone.name,
            "kind": zone.kind,
            "positions_m": np.round(points, _LINE_DECIMALS).tolist(),
            "indices": faces.tolist(),
            "unclosed_m": [self._local(corners, _LINE_DECIMALS) for corners in zone.unclosed_m],
        }


def chain_of(chains: Mapping[str, Sequence[Step]], finding_id: str) -> list[dict[str, str]]:
    """Return the chain of a finding as the page gets it."""
    return [{"step": step.step, "text": step.text} for step in chains.get(finding_id, ())]


def page_json(value: Any) -> bytes:
    """Return a value as compact JSON."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
