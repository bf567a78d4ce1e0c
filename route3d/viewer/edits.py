"""What the page changes of a run: checked as it comes in, added up to drafts, and applied to the runs of a job."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.errors import Route3DError
from route3d.model.run import ENDS, Run
from route3d.units import both_units

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

SAME_M = 1.5e-6  # corners travel rounded to a micrometre
_DECIMALS = 6
POINTS_MAX = 5_000  # corners, straps or supports of one run
RUNS_MAX = 5_000  # in one message
_FAR_M = 1e8  # no building is there
_NAME_MAX = 200


class EditError(Route3DError):
    """A change that cannot be made; its text is one sentence."""


@dataclass(frozen=True, slots=True)
class Edit:
    """What is changed of one run, in building axes; what is None stays as the project has it."""

    run: str
    corners_m: tuple[Point, ...] | None = None
    straps_at_m: tuple[float, ...] | None = None
    supports_at_m: tuple[float, ...] | None = None
    cable: str | None = None
    start: str | None = None
    end: str | None = None
    added: bool = False
    deleted: bool = False

    def as_json(self) -> dict[str, Any]:
        """Return what differs from "nothing changed" as plain values."""
        blank = Edit(self.run)
        return {key: value for key, value in asdict(self).items() if key == "run" or value != getattr(blank, key)}


_KEYS = frozenset(f.name for f in fields(Edit))


def read_changes(value: object, origin_m: Floats, base: Mapping[str, Run]) -> list[dict[str, Any]]:
    """Return the changes of one message, checked: each a dictionary of the keys of ``Edit`` that it states.

    Raises
    ------
    EditError
        Something is missing, unknown, not finite or too much; the sentence names run and key.
    """
    if not isinstance(value, list) or not value:
        raise EditError("a draft needs a list of edits")
    if len(value) > RUNS_MAX:
        raise EditError(f"{len(value)} runs in one draft are too many; send at most {RUNS_MAX}")
    return [_change(one, origin_m, base) for one in value]


def _change(value: object, origin_m: Floats, base: Mapping[str, Run]) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise EditError("an edit must be an object")
    run = value.get("run")
    if not isinstance(run, str) or not run.strip() or len(run) > _NAME_MAX or not run.isprintable():
        raise EditError("an edit must name its run")
    unknown = sorted(set(value) - _KEYS)
    if unknown:
        raise EditError(f"run {run}: {unknown[0][:_NAME_MAX]!r} cannot be changed")
    change: dict[str, Any] = {"run": run}
    for key in ("added", "deleted"):
        if key in value:
            if not isinstance(value[key], bool):
                raise EditError(f"run {run}: {key} must be true or false")
            change[key] = value[key]
    for key in ("cable", "start", "end"):
        if key in value:
            change[key] = _word(run, key, value[key])
    for key in ("straps_at_m", "supports_at_m"):
        if key in value:
            change[key] = None if value[key] is None else _distances(run, key, value[key])
    if "corners_m" in value:
        change["corners_m"] = None if value["corners_m"] is None else _corners(run, value["corners_m"], origin_m, base)
    return change


def _word(run: str, key: str, value: object) -> str | None:
    if value is not None and not isinstance(value, str):
        raise EditError(f"run {run}: {key} must be a word")
    if key != "cable" and value is not None and value not in ENDS:
        raise EditError(f"run {run}: {key} must be one of {', '.join(ENDS)}")
    return value


def _numbers(run: str, key: str, value: object, shape: tuple[int, ...]) -> Floats:
    if not isinstance(value, list) or len(value) > POINTS_MAX:
        raise EditError(f"run {run}: {key} must be a list of at most {POINTS_MAX}")
    flat = [x for row in value for x in row] if shape[1:] and all(isinstance(r, list) for r in value) else value
    if any(isinstance(x, bool) or not isinstance(x, int | float) for x in flat):
        raise EditError(f"run {run}: {key} holds something that is no number")
    try:
        array = np.array(value, dtype=np.float64).reshape(shape if value else (0, *shape[1:]))
    except (ValueError, OverflowError):
        raise EditError(f"run {run}: {key} has a row of the wrong length") from None
    if not (np.isfinite(array) & (np.abs(array) < _FAR_M)).all():
        raise EditError(f"run {run}: {key} holds a number that is not finite, or too far away")
    return array


def _distances(run: str, key: str, value: object) -> tuple[float, ...]:
    at = _numbers(run, key, value, (-1,))
    if (at < 0.0).any():
        raise EditError(f"run {run}: {key} holds a distance before the start of the run")
    return tuple(sorted(at.tolist()))


def _corners(run: str, value: object, origin_m: Floats, base: Mapping[str, Run]) -> tuple[Point, ...]:
    corners = _numbers(run, "corners_m", value, (-1, 3)) + origin_m
    if len(corners) < 2 or not (np.linalg.norm(corners - corners[0], axis=1) > SAME_M).any():
        raise EditError(f"run {run}: a run needs two different points")
    known = base.get(run)
    if known is not None:
        # what was not moved keeps its exact value, whatever rounding it saw on its way to the page and back
        apart = np.abs(corners[:, None, :] - known.corners_m[None, :, :]).max(axis=2)
        nearest = apart.argmin(axis=1)
        same = apart[np.arange(len(corners)), nearest] <= SAME_M
        corners[same] = known.corners_m[nearest[same]]
    return tuple((x, y, z) for x, y, z in corners.tolist())


def added_up(
    drafts: Mapping[str, Edit], changes: Iterable[Mapping[str, Any]], base: Mapping[str, Run], cables: Iterable[str]
) -> dict[str, Edit]:
    """Return the drafts with changes added; a run that is again as in the project is no draft.

    Raises
    ------
    EditError
        A change names an unknown run or cable, or adds a run that is there.
    """
    known_cables = set(cables)
    result = dict(drafts)
    for change in changes:
        run = change["run"]
        before = result.get(run)
        if before is None:
            if change.get("added") and run in base:
                raise EditError(f"run {run}: there is one of that name already; choose another")
            if not change.get("added") and run not in base:
                if change.get("deleted"):
                    continue  # an added run that is forgotten twice
                raise EditError(f"there is no run {run}")
            before = Edit(run)
        after = replace(before, **{key: value for key, value in change.items() if key != "run"})
        after = replace(after, added=run not in base)
        if after.cable is not None and after.cable not in known_cables:
            raise EditError(f"run {run}: there is no cable {after.cable[:_NAME_MAX]!r} in the project")
        if after.added and (after.corners_m is None or after.cable is None):
            raise EditError(f"run {run}: a new run needs its points and its cable")
        if (after.added and after.deleted) or (not after.added and _changes_nothing(after, base[run])):
            result.pop(run, None)
        else:
            result[run] = after
    return result


def _changes_nothing(edit: Edit, run: Run) -> bool:
    def same(key: tuple[Any, ...] | None, now: tuple[Any, ...]) -> bool:
        return key is None or (len(key) == len(now) and np.allclose(key, now, rtol=0.0, atol=1e-9))

    return (
        not edit.deleted
        and (edit.corners_m is None or np.array_equal(np.array(edit.corners_m), run.corners_m))
        and same(edit.straps_at_m, run.straps_at_m)
        and same(edit.supports_at_m, run.supports_at_m)
        and edit.cable in (None, run.cable_id)
        and edit.start in (None, run.start)
        and edit.end in (None, run.end)
    )


def taken(
    drafts: Mapping[str, Edit], left: Iterable[Edit], base: Mapping[str, Run], cables: Iterable[str]
) -> tuple[dict[str, Edit], dict[str, Edit], tuple[str, ...]]:
    """Return the drafts with those of ``left`` added, those that do not fit this project, and why, a sentence each."""
    names = tuple(cables)
    result, misfits, why = dict(drafts), {}, []
    for edit in left:
        # every key, so that it replaces what is drafted of the run now
        change = {f.name: getattr(edit, f.name) for f in fields(Edit)}
        if edit.added and edit.run in base:
            change["added"] = False  # it was saved just before the server died
        try:
            result = added_up({k: v for k, v in result.items() if k != edit.run}, [change], base, names)
        except EditError as error:
            misfits[edit.run] = edit
            why.append(f"a draft does not fit this project any more, and is kept aside: {error}")
    return result, misfits, tuple(why)


def edited(edit: Edit, run: Run | None, project_file: str) -> Run | None:
    """Return the run as edited; None where it is deleted. ``run`` is None for an added one.

    A run whose corners changed has no drawn arcs any more: it is saved as a line of corners.
    """
    if edit.deleted:
        return None
    changed: dict[str, Any] = {}
    if edit.corners_m is not None:
        corners = np.array(edit.corners_m)
        if run is None or not np.array_equal(corners, run.corners_m):
            changed |= {"corners_m": corners, "drawn_radius_m": None}
    for key, name in (
        ("straps_at_m", "straps_at_m"),
        ("supports_at_m", "supports_at_m"),
        ("cable", "cable_id"),
        ("start", "start"),
        ("end", "end"),
    ):
        value = getattr(edit, key)
        if value is not None:
            changed[name] = value
    if run is None:
        ends = {"start": "open", "end": "open"}
        where = {"file": project_file, "where": f"run {edit.run!r}"}
        return Run(run_id=edit.run, **{**ends, **where, **changed})
    return replace(run, **changed) if changed else run


def both_sides(drafts: Mapping[str, Edit], base: Mapping[str, Run], origin_m: Floats) -> list[dict[str, Any]]:
    """Return each draft as the page gets it: the run before, as the project has it, and after; places from the origin.

    An end that nobody states is None on both sides, so that going back or forth does not state it. ``arcs`` tells that
    the run has arcs drawn in CAD, which go once its changed corners are saved.
    """
    result = []
    for name, edit in drafts.items():
        run = base.get(name)
        gone: dict[str, Any] = {"run": name, "deleted": True}
        before = gone if run is None else _whole(run, origin_m)
        after = edited(replace(edit, added=run is None), run, "")
        arcs = run is not None and bool(run.drawn_radius_m.any())
        result.append({"before": before, "after": gone if after is None else _whole(after, origin_m), "arcs": arcs})
    return result


def _whole(run: Run, origin_m: Floats) -> dict[str, Any]:
    return {
        "run": run.run_id,
        "corners_m": np.round(run.corners_m - origin_m, _DECIMALS).tolist(),
        "straps_at_m": list(run.straps_at_m),
        "supports_at_m": list(run.supports_at_m),
        "cable": run.cable_id,
        "start": run.start,
        "end": run.end,
    }


def within(run: Run, length_m: float, tolerance_m: float) -> tuple[Run, tuple[str, ...]]:
    """Return a run without the straps and supports beyond its end, and a sentence for each kind that was left out."""
    notes = []
    changed: dict[str, Any] = {}
    for key, word in (("straps_at_m", "strap"), ("supports_at_m", "support")):
        places: tuple[float, ...] = getattr(run, key)
        kept = tuple(at for at in places if at <= length_m + tolerance_m)
        if len(kept) < len(places):
            lost = len(places) - len(kept)
            what = f"a {word} lies" if lost == 1 else f"{lost} {word}s lie"
            left_out = "is left out here" if lost == 1 else "are left out here"
            notes.append(f"{run.run_id}: {what} beyond the end of the run, at {both_units(length_m)}, and {left_out}")
            changed[key] = kept
    return (replace(run, **changed) if changed else run), tuple(notes)
