"""What a search found, as the page gets it: each proposal is a whole run, with the draft that would take it over."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np

from route3d.mending.mend import Mended, mend_run
from route3d.mending.propose import Alternative, Proposed, propose_routes
from route3d.model.finding import Finding, RunReview
from route3d.recheck import Checked, Difference
from route3d.viewer.desk import Desk, Message
from route3d.viewer.edits import Edit, EditError
from route3d.viewer.page_data import PageMaker

_KEPT = 60  # proposals that can still be tried again and taken over
_SAID_MOST = 12  # findings that are named where nothing was found
_DECIMALS = 6  # a micrometre


@dataclass(frozen=True, slots=True)
class Kept:
    """A proposal that was shown."""

    edit: Edit
    kind: str  # straps, nudge, way round, route


class Proposals:
    """Makes proposals from the state of a desk, and remembers them until they are taken over."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._kept: OrderedDict[str, Kept] = OrderedDict()
        self._numbering = Lock()
        self._number = 0

    # --- searches ---------------------------------------------------------------------------------------------------

    def mend(self, run_id: str) -> Message:
        """Look for the smallest change with which a run passes.

        Raises
        ------
        EditError
            There is no such run, it has no route yet, or it cannot be changed here.
        """
        state, maker, revision = self._desk.now()
        if not _there(state, run_id):
            if run_id in self._desk.without_route():
                raise EditError(f"run {run_id} has no route yet; ask for routes")
            raise EditError(f"there is no run {run_id}")
        self._changeable(run_id)
        found = mend_run(state, run_id)
        answer = self._answer(state, maker, revision, run_id, "mend") | {
            "outcome": {"passes already": "passes", "blocked": "blocked"}.get(found.outcome, "found"),
            "checks": found.checks,
            "seconds": round(found.seconds, 2),
            "blocked": _said(maker, found.blocked),
            "why": found.why,
            "stuck": [{"from_m": s.from_m, "to_m": s.to_m, "why": s.why} for s in found.stuck],
            "notes": _notes(found),
        }
        if found.after is not None and found.run is not None:
            edit = _mending_edit(state, found)
            if _shields_move(
                state, found
            ):  # drafts leave plates and guards at their distances: then it is another change
                answer |= self._tried(state, maker, edit, found.how)
            else:
                option = self._option(maker, found.after.state, found.after.review, edit, found.how, found.unknown)
                answer["options"] = [option]
            answer["options"] = [option | {"change": _change(found)} for option in answer["options"]]
        return answer

    def routes(self, run_id: str) -> Message:
        """Look for routes for a run that is given by its ends.

        Raises
        ------
        EditError
            There is no such run, or it has a route.
        """
        state, maker, revision = self._desk.now()
        without = self._desk.without_route()
        if _there(state, run_id):
            raise EditError(f"run {run_id} has a route; ask for a change of it")
        if run_id not in without:
            raise EditError(f"there is no run {run_id}")
        routed = [name for name in without if _there(state, name)]
        free = [p for name, run in without.items() if name != run_id and name not in routed for p in run.corners_m]
        found = propose_routes(state, without[run_id], routed, free)
        return self._answer(state, maker, revision, run_id, "routes") | {
            "outcome": "found" if found.alternatives else "blocked",
            "seconds": round(found.seconds, 2),
            "least_m": found.least_m,
            "why": found.why,
            "blocked": _said(maker, found.blocked),
            "options": [self._route(maker, found, one) for one in found.alternatives],
        }

    def again(self, name: object) -> Message:
        """Check a proposal once more, with everything as it is now.

        Raises
        ------
        EditError
            It is not known any more, or its run is gone.
        """
        kept = self._kept.get(name) if isinstance(name, str) else None
        if kept is None:
            raise EditError("this proposal is not known any more; ask for a new one")
        state, maker, revision = self._desk.now()
        answer = self._answer(state, maker, revision, kept.edit.run, "routes" if kept.kind == "route" else "mend")
        self._changeable(kept.edit.run)
        return answer | self._tried(state, maker, kept.edit, kept.kind, str(name))

    # --- inside -----------------------------------------------------------------------------------------------------

    def _tried(self, state: Checked, maker: PageMaker, edit: Edit, kind: str, name: str | None = None) -> Message:
        """Check what an edit, taken over as it is, makes of its run; return the outcome, with the option or why not."""
        run = self._desk.proposed(edit)
        if run is None:
            raise EditError(f"there is no run {edit.run} any more")
        after, difference = state.changed({edit.run: run})
        wrong, harm, unknown = _found_of(edit.run, state, difference)
        if wrong or harm:
            return {"outcome": "blocked", "blocked": _said(maker, (*wrong, *harm))}
        review = next(
            (r for r in difference.runs if r.fitted.run.run_id == edit.run),
            None,
        ) or next(r for r in after.review.runs if r.fitted.run.run_id == edit.run)
        return {"outcome": "found", "options": [self._option(maker, after, review, edit, kind, unknown, name)]}

    def _changeable(self, run_id: str) -> None:
        if not self._desk.can_change(run_id):
            raise EditError(f"run {run_id} cannot be changed here: its file is read, but never written")

    def _answer(self, state: Checked, maker: PageMaker, revision: int, run_id: str, what: str) -> Message:
        return {
            "say": "proposed",
            "run": run_id,
            "what": what,
            "revision": revision,
            "before": {"holes": _holes(state, run_id)} if _there(state, run_id) else None,
            "options": [],
            "blocked": [],
            "stuck": [],
            "why": "",
            "notes": [],
            "seconds": 0.0,
        }

    def _option(
        self,
        maker: PageMaker,
        state: Checked,
        review: RunReview,
        edit: Edit,
        kind: str,
        unknown: Iterable[Finding],
        name: str | None = None,
    ) -> Message:
        (run,) = maker.runs([review])
        return {
            "id": self._keep(edit, kind) if name is None else name,
            "kind": kind,
            "run": run,
            "draft": _draft(maker, edit),
            "straps": len(review.fitted.run.straps_at_m),
            "holes": _holes(state, edit.run),
            "change": None,
            "passed": [],
            "unchecked": [f.message for f in unknown][:_SAID_MOST],
        }

    def _route(self, maker: PageMaker, found: Proposed, one: Alternative) -> Message:
        run = one.trial.run
        edit = Edit(
            found.run_id,
            corners_m=_points(one.trial.corners_m),
            straps_at_m=run.straps_at_m,
            supports_at_m=run.supports_at_m,
            cable=run.cable_id,
            added=True,
        )
        option = self._option(maker, one.trial.state, one.trial.review, edit, "route", one.trial.unknown)
        return option | {"passed": list(one.passed)}

    def _keep(self, edit: Edit, kind: str) -> str:
        with self._numbering:
            self._number += 1
            name = f"p{self._number}"
            self._kept[name] = Kept(edit, kind)
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return name


def _there(state: Checked, run_id: str) -> bool:
    return any(run.run_id == run_id for run in state.job.runs)


def _mending_edit(state: Checked, found: Mended) -> Edit:
    """Return only what differs: arcs that were drawn are kept where no corner moves."""
    run = found.run
    assert run is not None
    old = next(r for r in state.job.runs if r.run_id == found.run_id)
    return Edit(
        found.run_id,
        corners_m=None if found.change is None else _points(run.corners_m),
        straps_at_m=None if run.straps_at_m == old.straps_at_m else run.straps_at_m,
        supports_at_m=None if run.supports_at_m == old.supports_at_m else run.supports_at_m,
    )


def _points(corners_m: Any) -> tuple[tuple[float, float, float], ...]:
    return tuple((x, y, z) for x, y, z in np.asarray(corners_m).tolist())


def _draft(maker: PageMaker, edit: Edit) -> Message:
    """Return an edit as the page sends one."""
    draft: Message = edit.as_json()
    if edit.corners_m is not None:
        draft["corners_m"] = np.round(np.array(edit.corners_m) - maker.origin_m, _DECIMALS).tolist()
    for key in ("straps_at_m", "supports_at_m"):
        if key in draft:
            draft[key] = list(draft[key])
    return draft


def _change(found: Mended) -> Message:
    change = found.change
    return {
        "moved_m": 0.0 if change is None else change.moved_m,
        "points_moved": 0 if change is None else change.moved,
        "new_corners": 0 if change is None else change.new_corners,
        "corners_gone": 0 if change is None else change.corners_gone,
        "straps_added": found.straps_added,
    }


def _notes(found: Mended) -> list[str]:
    notes = []
    if found.redraws_arcs:
        notes.append("Arcs that were drawn become corners; their bends are fitted.")
    run = found.run
    if run is not None and found.change is not None and (run.plates_m or run.guards_m):
        notes.append(
            "Plates and guards keep their distances along the run; `route3d mend --write` keeps them in their place."
        )
    return [*notes, *found.to_look_at]


def _shields_move(state: Checked, found: Mended) -> bool:
    old = next(run for run in state.job.runs if run.run_id == found.run_id)
    return found.run is not None and (found.run.plates_m, found.run.guards_m) != (old.plates_m, old.guards_m)


def _holes(state: Checked, run_id: str) -> int:
    """Count where a run passes through framing and walls."""
    examined = state.examined
    number = next(i for i, run in enumerate(examined.scene.job.runs) if run.run_id == run_id)
    gaps = examined.alone[number].gaps
    return sum(len(gap.stretches_m) for gap in gaps if gap.through and gap.element is not None)


def _said(maker: PageMaker, findings: Sequence[Finding]) -> list[Message]:
    """Return findings that are not in the review, and have no number there."""
    return [
        {
            "check": f.check,
            "severity": f.severity,
            "run": f.run,
            "other": f.other,
            "message": f.message,
            "point_m": None
            if f.point_m is None
            else np.round(np.array(f.point_m) - maker.origin_m, _DECIMALS).tolist(),
        }
        for f in findings[:_SAID_MOST]
    ]


def _found_of(
    run_id: str, before: Checked, difference: Difference
) -> tuple[list[Finding], list[Finding], list[Finding]]:
    """Return what is violated by a run, what got worse for others, and what of the run is not known."""
    told = (*difference.new, *difference.altered)
    touched = {*difference.gone, *(f.finding_id for f in difference.altered)}
    earlier: Mapping[str, Finding] = {f.finding_id: f for f in before.review.findings}
    mine = [*(f for name, f in earlier.items() if name not in touched), *told]
    wrong = [f for f in mine if f.severity == "violation" and run_id in (f.run, f.other)]
    harm = [
        f
        for f in told
        if f.severity == "violation" and run_id not in (f.run, f.other) and _worse(f, earlier.get(f.finding_id))
    ]
    return wrong, harm, [f for f in mine if f.unchecked and f.run == run_id]


def _worse(finding: Finding, before: Finding | None) -> bool:
    if before is None or before.severity != "violation":
        return True
    if None in (finding.measured, finding.required, before.measured, before.required):
        return False
    assert finding.measured is not None and finding.required is not None
    assert before.measured is not None and before.required is not None
    return abs(finding.measured - finding.required) > abs(before.measured - before.required) + 1e-6
