"""What Python programs and notebooks call: load a project, fit lines, check, report.

Everything here is also an attribute of the package, ``route3d.load`` and so on. Lengths are metres, angles radians.

>>> import route3d
>>> cable = route3d.Cable("mc", method="mc-interlocked", sheath_diameter_m=0.0117, overall_diameter_m=0.0117)
>>> asked = route3d.required_bend(cable, "nec-2023")
>>> print(asked.rule, round(asked.inner_radius_m, 4))
NEC 2023 330.24(B) 0.0819
>>> fitted = route3d.fit_cable([[0, 0, 2.9], [4, 0, 2.9], [4, 0.1, 2.9], [6, 0.1, 2.9]], cable)
>>> [round(bend.centre_radius_m, 3) for bend in fitted.bends], round(asked.centre_radius_m, 3)
([0.05, 0.05], 0.088)
"""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from route3d.clock import now
from route3d.errors import InputError
from route3d.examine import Examined, examine
from route3d.fit import fit_as_required
from route3d.handover.deliverables import WRITERS, Given, Wishes
from route3d.model.cable import Cable
from route3d.model.finding import CAUTION, CHECKS, Finding, Review, RunReview, Step
from route3d.model.job import Settings
from route3d.model.run import FittedRun, Run
from route3d.project import Project, read_project
from route3d.reports.results_json import results, results_text
from route3d.reports.writing import write_whole
from route3d.review import judge, nothing_unchecked
from route3d.rules.bend import BendRequirement
from route3d.rules.bend import required_bend as _required_bend
from route3d.rules.rulebook import RuleBook, load_rulebook

DEFAULT_RULES = "nec-2023"

# ending of a file -> deliverable
_BY_ENDING = {
    ".html": "html",
    ".pdf": "pdf",
    ".xlsx": "xlsx",
    ".csv": "csv",
    ".dxf": "dxf",
    ".bcf": "bcf",
    ".bcfzip": "bcf",
    ".glb": "glb",
    ".xml": "junit",
    ".sarif": "sarif",
}


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class CheckedProject:
    """A project, and what the check says of it. A notebook shows it as a table of its runs."""

    project: Project
    review: Review
    examined: Examined

    @property
    def verdict(self) -> str:
        """``"fail"`` where something is violated, ``"unchecked"`` where not all was judged, else ``"pass"``."""
        if self.review.summary["violations"]:
            return "fail"
        return "pass" if nothing_unchecked(self.review) else "unchecked"

    @property
    def runs(self) -> Mapping[str, RunReview]:
        """The judged runs by id: ``fitted`` line, ``verdict``, ``bends``, ``spans``, ``smallest_gap_m``."""
        return {run.fitted.run.run_id: run for run in self.review.runs}

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What to act on, confirm or know, worst first."""
        return self.review.findings

    def explain(self, finding: Finding) -> tuple[Step, ...]:
        """Return the chain of a finding: fact, rule, conditions, exemptions tried, verdict."""
        return self.review.chains[finding.finding_id]

    def results(self) -> dict[str, Any]:
        """Return what ``route3d check --json`` writes, as dictionaries and lists; lengths in metres."""
        return results(self.review)

    def with_run(self, run_id: str, points_m: ArrayLike) -> CheckedProject:
        """Return the same project with one run along other points (n, 3), checked. No file is changed.

        Straps, supports, plates and guards stay at their distances along the run: see that they are where they were. A
        strap or support beyond the new end is an ``InputError``.

        Raises
        ------
        InputError
            There is no such run, or it is held beyond its new end.
        ValueError
            The points are not at least two different finite ones.
        """
        job = self.project.job
        if all(run.run_id != run_id for run in job.runs):
            raise InputError(self.project.path, f"there is no run {run_id!r} with a path")
        corners_m = _points(points_m)
        runs = tuple(
            replace(run, corners_m=corners_m, drawn_radius_m=np.zeros(len(corners_m))) if run.run_id == run_id else run
            for run in job.runs
        )
        return check(replace(self.project, job=job.with_runs(runs)))

    def __repr__(self) -> str:
        counts = ", ".join(f"{name} {count}" for name, count in self.review.summary.items())
        return f"CheckedProject({self.review.project!r}, {self.verdict}: {counts})"

    def _repr_html_(self) -> str:
        said = [f"{html.escape(self.review.project)}: <b>{self.verdict}</b>, rules {html.escape(self.review.rules)}"]
        if self.review.unread:
            said.append(f"{len(self.review.unread)} things were not read")
        rows = "".join(
            f"<tr><td>{html.escape(run_id)}</td><td>{run.verdict}</td><td>{run.fitted.length_m:.3f}</td>"
            f"<td>{sum(run_id in (f.run, f.other) for f in self.findings)}</td></tr>"
            for run_id, run in self.runs.items()
        )
        head = "<tr><th>run</th><th>verdict</th><th>length, m</th><th>findings</th></tr>"
        return f"<p>{'; '.join(said)}.</p><table>{head}{rows}</table><p><small>{html.escape(CAUTION)}</small></p>"


def load(folder: str | Path, *, cached: bool = True) -> Project:
    """Read a ``route3d.toml``, or the one in a folder, and every drawing that it names.

    ``project.job`` has ``cables``, ``runs``, ``elements``, ``zones``, ``unread``; ``project.rules`` is its rule book.
    Drawings that were read before and have not changed come from the folder ``.route3d-cache`` beside the project,
    unless ``cached`` is False.

    Raises
    ------
    Route3DError
        A file cannot be used; one sentence says which, where, and how to mend it.
    """
    return read_project(Path(folder), cached=cached)


def required_bend(cable: Cable, rules: str | RuleBook = DEFAULT_RULES) -> BendRequirement:
    """Return the smallest bend that a rule set allows a cable, with the section that says so.

    ``rules`` is the name of a shipped rule set, the path of a rule file, or ``project.rules``.

    Raises
    ------
    Route3DError
        There is no such rule set.
    """
    return _required_bend(cable, _book(rules))


def fit_cable(
    points_m: ArrayLike,
    cable: Cable,
    rules: str | RuleBook = DEFAULT_RULES,
    *,
    bend_target: float | None = None,
) -> FittedRun:
    """Return the line in which a cable would lie along a drawn polyline: straight legs and tangent arcs.

    Each corner gets the largest arc that its legs allow, up to ``bend_target`` (1.5, as in a project that does not
    say) times what ``rules`` require. An arc below the requirement is a bend that is too tight.

    Parameters
    ----------
    points_m : (n, 3) array_like
        Corners of the centre line, ends included.
    cable : Cable
        For instance ``project.job.cables["mc-12-2"]``.

    Raises
    ------
    Route3DError
        There is no such rule set.
    ValueError
        The points are not at least two different finite ones.
    """
    run = Run("run", cable.cable_id, _points(points_m))
    target = Settings().bend_target if bend_target is None else bend_target
    return fit_as_required(run, cable, required_bend(cable, rules), target)


def check(project: Project, *, only: Sequence[str] = (), say: Callable[..., None] = lambda *_: None) -> CheckedProject:
    """Check every run of a project, as ``route3d check`` does; ``only`` narrows the checks, as ``--only`` does.

    Raises
    ------
    Route3DError
        A strap is placed beyond the end of its run.
    ValueError
        There is no check of a name in ``only``.
    """
    unknown = [name for name in only if name not in CHECKS]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no check; known are {', '.join(CHECKS)}")
    job = replace(project.job, checks=tuple(only)) if only else project.job
    examined = examine(job, project.rules, say)
    review = judge(examined, now())
    return CheckedProject(replace(project, job=job), review, examined)


def report(checked: CheckedProject, file: str | Path, **wishes: Any) -> str:
    """Write one deliverable, whose kind the ending of ``file`` says, and return in words what is in it.

    ``.json`` the results, ``.html`` the viewer's page with everything inside, ``.pdf``, ``.xlsx``, ``.csv``, ``.dxf``
    the mark-up drawing, ``.bcf``, ``.glb``, ``.xml`` JUnit, ``.sarif``. ``wishes`` are fields of
    ``route3d.handover.deliverables.Wishes``, for instance ``paper="a4"``.

    Raises
    ------
    Route3DError
        The file cannot be written.
    ValueError
        Nothing ends so.
    """
    path = Path(file)
    ending = path.suffix.lower()
    if ending == ".json":
        write_whole(path, results_text(checked.review))
        return f"{len(checked.findings)} findings of {len(checked.runs)} runs"
    if ending not in _BY_ENDING:
        raise ValueError(f"{path.name} does not end in .json or one of {', '.join(_BY_ENDING)}")
    project = checked.project
    given = Given(project.path, project.rules, checked.examined, checked.review, Wishes(**wishes))
    return WRITERS[_BY_ENDING[ending]](path, given)


def _book(rules: str | RuleBook) -> RuleBook:
    return rules if isinstance(rules, RuleBook) else load_rulebook(rules, Path.cwd())


def _points(points_m: ArrayLike) -> np.ndarray[Any, np.dtype[np.float64]]:
    points = np.array(points_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 2 or not np.isfinite(points).all():
        raise ValueError("points are an (n, 3) array of at least two finite points, in metres")
    return points
