"""What lies on the desk: the review as it stands, with the drafts of all windows in it.

One desk serves all windows. Its ``draft``, ``take``, ``drop``, ``save`` and ``reload`` are called one after another
from one worker thread; what they give is plain and ready to be sent. Reviews never change, so that the whole of one can
be written out for a new window while the next is being made.
"""

from __future__ import annotations

import gzip
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Lock, RLock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.errors import InputError, Route3DError
from route3d.model.run import Run
from route3d.recheck import Checked, Difference
from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M
from route3d.viewer.apart import apart, body_of
from route3d.viewer.deciding import Ledger, SavedAs
from route3d.viewer.draft_files import Left
from route3d.viewer.edits import Edit, EditError, added_up, both_sides, edited, read_changes, taken, within
from route3d.viewer.journal import Journal
from route3d.viewer.page_building import building_payload
from route3d.viewer.page_data import PageMaker, Results, chain_of, page_json
from route3d.viewer.page_gaps import Gaps

Message = dict[str, Any]
Floats = NDArray[np.float64]

WHOLE_RUNS = 400  # a change that concerns more runs than this is sent as a whole new review
WHOLE_FINDINGS = 4_000
CHAINS_SENT = 2_000


@dataclass(frozen=True, slots=True, eq=False)
class Opened:
    """A project, read and checked, and how to save it."""

    checked: Checked
    rules: RuleBook
    unit: str
    project_file: str  # its name
    watched: Mapping[str, tuple[Path, str]]  # name shown -> file, and the sha256 of what was read
    # edits, and the fitted paths of their runs by id -> files written, and notes
    save: Callable[[Sequence[Edit], Mapping[str, Floats]], tuple[Sequence[str], Sequence[str]]]
    editable: Callable[[Run], bool] = field(default=lambda run: True)


class Desk:
    """The state that all windows share."""

    def __init__(
        self,
        opened: Opened,
        read: Callable[[Callable[..., None]], Opened],
        results: Results,
        journal: Journal | None,
        shown: Callable[[str], str] = str,
        ledger: Ledger | None = None,
    ) -> None:
        self.ledger = Ledger(None) if ledger is None else ledger
        self._read, self._results, self._journal, self._shown = read, results, journal, shown
        self._lock = Lock()  # held only to read or replace what follows, never while working
        self._making = {which: RLock() for which in ("review", "building")}  # so that no two windows make the same
        self._drafts: dict[str, Edit] = {}
        self._good: dict[str, Edit] = {}  # the drafts with which everything could be checked last
        self._aside: dict[str, Edit] = {}  # drafts that do not fit the project any more: kept, not applied
        self._notes: dict[str, tuple[str, ...]] = {}
        self._left = journal.left() if journal is not None else None
        self._nonce = secrets.token_hex(4)
        self._payloads: dict[tuple[str, bool, bool], tuple[tuple[int, int], bytes]] = {}
        self.revision, self.building_revision = 1, 1
        self._origin_m: Floats | None = None
        self._put(opened)
        self.ledger.opened(opened.checked.review, opened.checked.job.checks)
        self._forget_what_was_saved()

    def _forget_what_was_saved(self) -> None:
        """A server may have died between saving and saying so: such drafts are in the project already."""
        if self._left is None or self._left.unreadable or self._journal is None:
            return
        drafts, misfits, _ = taken({}, self._left.edits.values(), self._base, self._checked.job.cables)
        if not drafts and not misfits:
            self._journal.done_with(self._left)
            self._left = None

    def _put(self, opened: Opened) -> None:
        self.opened = opened
        self._checked = opened.checked
        job = opened.checked.job
        self._base = {run.run_id: run for run in job.runs}
        self._without_route = {run.run_id: run for run in job.unrouted}
        fixed = {run.run_id for run in job.runs if not opened.editable(run)}
        self._maker = PageMaker.of(
            job,
            opened.checked.review,
            opened.rules,
            self._results,
            gaps=Gaps(job, opened.checked.examined.around.index),
            unit=opened.unit,
            editable=lambda run_id: run_id not in fixed,
            project_file=opened.project_file,
            origin_m=self._origin_m,
        )
        # the same as long as the server lives: a draft may be on its way while files are read again
        self._origin_m = self._maker.origin_m
        self._fixed = fixed
        self._runs = {run.fitted.run.run_id: run for run in opened.checked.review.runs}
        self._saved_as = SavedAs(opened.checked.review)

    # --- what windows ask for ---------------------------------------------------------------------------------------

    @property
    def unsaved(self) -> int:
        """How many runs have drafts in force."""
        return len(self._drafts)

    def offered(self) -> Message | None:
        """Return what an earlier server left behind, as the page shows it."""
        left = self._left
        if left is None:
            return None
        return {"count": len(left.edits), "since": left.since, "unreadable": left.unreadable}

    def etag(self, which: str) -> str:
        """Return the tag of the review or of the building as it is now."""
        return f'"{self._nonce}-{which}-{self._number(which)[0]}-{self._number(which)[1]}"'

    def _number(self, which: str) -> tuple[int, int]:
        return (self.revision, self.ledger.number) if which == "review" else (self.building_revision, 0)

    def payload(self, which: str, *, packed: bool = False, editable: bool = True) -> bytes:
        """Return review.json or building.bin as it is now, packed by gzip or not; kept until the next change."""
        with self._making[which]:
            return self._payload(which, packed, editable)

    def chain(self, finding_id: str) -> bytes | None:
        """Return the chain of one finding as JSON, None where there is no such finding now."""
        with self._lock:
            checked = self._checked
        steps = chain_of(checked.review.chains, finding_id)
        return self._shown(page_json(steps).decode()).encode() if steps else None

    def _payload(self, which: str, packed: bool, editable: bool) -> bytes:
        with self._lock:
            number = self._number(which)
            checked, maker, drafts, base = self._checked, self._maker, self._drafts, self._base
            saved_as = self._saved_as.told()
            name = (which, packed, editable or which == "building")
            kept = self._payloads.get(name)
        if kept is not None and kept[0] == number:
            return kept[1]
        if packed:
            made = gzip.compress(self.payload(which, editable=editable), compresslevel=4, mtime=0)
        elif which == "building":
            made = building_payload(checked.job, maker.origin_m, shown=self._shown)
        else:
            revision = number[0]
            value = maker.review(
                checked.review, revision=revision, editable=editable, live=True, chains_max=CHAINS_SENT
            )
            value["runs"] = self._marked(value["runs"], drafts)
            value |= {**self.ledger.block(), "saved_as": saved_as}
            if editable:
                value["drafts"] = both_sides(drafts, base, maker.origin_m)
            made = self._shown(page_json(value).decode()).encode()
        with self._lock:
            self._payloads[name] = (number, made)
        return made

    def now(self) -> tuple[Checked, PageMaker, int]:
        """Return what is judged now, what turns it into what the page gets, and its revision."""
        with self._lock:
            return self._checked, self._maker, self.revision

    def without_route(self) -> Mapping[str, Run]:
        """Return the runs that the project gives by their ends only, whether a draft routes them or not."""
        return self._without_route

    def can_change(self, run_id: str) -> bool:
        """Tell whether a run stands in a file that is written."""
        return run_id not in self._fixed

    def proposed(self, edit: Edit) -> Run | None:
        """Return a run as it is now with ``edit``; None where there is no such run any more."""
        with self._lock:
            run = next((run for run in self._checked.job.runs if run.run_id == edit.run), None)
        if run is None and edit.run not in self._without_route:
            return None
        return self._edited(edit, run)

    def distance(self, one: object, other: object) -> Message:
        """Return the shortest way between the surfaces of two things: ``{"run": id}`` or ``{"element": id}``.

        Raises
        ------
        Route3DError
            One of them is not there or has no surface, or they are too large to be asked.
        """
        with self._lock:
            job, runs = self._checked.job, self._runs
        found = apart(body_of(job, runs, one), body_of(job, runs, other))
        ends = np.round(np.array([found.from_m, found.to_m]) - self._maker.origin_m, 6).tolist()
        return {"say": "distance", "gap_m": found.gap_m, "from_m": ends[0], "to_m": ends[1]}

    def drafted(self) -> Mapping[str, Edit]:
        """Return the drafts in force."""
        return self._drafts

    # --- what windows do --------------------------------------------------------------------------------------------

    def draft(self, edits: object) -> set[str]:
        """Add the changes of one message to the drafts, on disk too, and return the runs; ``check`` is to follow.

        Raises
        ------
        EditError
            They cannot be made; nothing has changed.
        InputError
            They could not be written down; nothing has changed.
        """
        changes = read_changes(edits, self._maker.origin_m, {**self._without_route, **self._base})
        for change in changes:
            if change["run"] in self._fixed:
                run = self._base[change["run"]]
                raise EditError(f"run {run.run_id} cannot be changed here: {run.file} is read, but never written")
        drafts = added_up(self._drafts, changes, self._base, self._checked.job.cables)
        self._record(drafts, self._aside)
        with self._lock:
            self._drafts = drafts
        return {change["run"] for change in changes}

    def check(self, names: Iterable[str]) -> Message:
        """Check these runs with the drafts in force, and return what that changes.

        Raises
        ------
        Route3DError, ValueError
            They cannot be checked; the drafts are again as they were when they last could.
        """
        try:
            runs = {name: self._run(name) for name in names}
            runs = {name: run for name, run in runs.items() if run is not None or name in self._runs}
            try:
                state, difference = self._checked.changed(runs)
            except InputError:
                state, difference = self._checked.changed(self._clipped(runs))
        except Exception:
            with self._lock:
                self._drafts = self._good
            self._record(self._drafts, self._aside)
            raise
        reviewed = {run.fitted.run.run_id: run for run in difference.runs}
        self._runs = {name: run for name, run in self._runs.items() if name not in difference.runs_gone} | reviewed
        self._good = self._drafts
        with self._lock:
            self._checked = state
            self._saved_as.follow(difference)
            self.revision += 1
        return self._told(difference)

    def take(self) -> Message:
        """Put the drafts that were left behind in force, and check them."""
        left = self._left
        if left is None:
            raise EditError("there are no drafts to take")
        drafts, misfits, why = taken(self._drafts, left.edits.values(), self._base, self._checked.job.cables)
        return self._replace_drafts(drafts, {**self._aside, **misfits}, left, why)

    def _replace_drafts(
        self, drafts: dict[str, Edit], aside: dict[str, Edit], left: Left, why: tuple[str, ...]
    ) -> Message:
        names = self._drafts.keys() | drafts.keys()
        self._record(drafts, aside)
        self._sync()
        with self._lock:
            self._drafts, self._aside = drafts, aside
        told = self.check(names)
        # only now: until the new journal holds them, the old one does
        if self._journal is not None:
            self._journal.done_with(left)
        self._left = None
        told["notes"] = [*told["notes"], *why]
        told["drafts"] = both_sides(self._drafts, self._base, self._maker.origin_m)
        return told

    def drop(self, everything: bool) -> bool:
        """Discard what was left behind, and with ``everything`` what is in force; tell whether the review changed."""
        if self._left is not None and self._journal is not None:
            self._journal.done_with(self._left)
        self._left = None
        if not everything or not (self._drafts or self._aside):
            return False
        names = list(self._drafts)
        self._record({}, {})
        self._sync()
        with self._lock:
            self._drafts, self._aside = {}, {}
        self.check(names)
        return True

    def save(self) -> tuple[list[str], list[str]]:
        """Write the drafts into the project; return files written, and notes. The project is to be read again then.

        Raises
        ------
        Route3DError
            Nothing was written, and all drafts are still there.
        """
        if not self._drafts:
            raise EditError("there is nothing to save")
        self._sync()
        paths = {name: self._runs[name].fitted.pieces for name in self._drafts if name in self._runs}
        # what cannot be checked cannot be read again either: straps beyond a new end go now
        edits = [self._as_checked(edit) for edit in self._drafts.values()]
        # a run that only gets a route is in the project file already
        edits = [replace(e, added=False) if e.run in self._without_route else e for e in edits]
        left_out = [note for name in self._drafts for note in self._notes.get(name, ())]
        files, notes = self.opened.save(edits, paths)
        with self._lock:
            self._drafts, self._good = {}, {}
        self._record({}, self._aside)
        self._sync()
        return list(files), [*notes, *left_out]

    def reload(self, say: Callable[..., None]) -> list[str]:
        """Read and check the project anew, with the drafts in force; return sentences on drafts that do not fit."""
        opened = self._read(say)
        base = {run.run_id: run for run in opened.checked.job.runs}
        wanted = {**self._aside, **self._drafts}
        drafts, misfits, why = taken({}, wanted.values(), base, opened.checked.job.cables)
        self._record(drafts, misfits)
        with self._lock:
            self._put(opened)
            self._drafts, self._good, self._aside = drafts, {}, misfits
            self._notes = {}
            self._payloads = {}
            self.revision += 1
            self.building_revision += 1
        self.ledger.opened(opened.checked.review, opened.checked.job.checks)
        if drafts:
            try:
                self.check(drafts)
            except (Route3DError, ValueError) as error:
                self._aside = {**misfits, **drafts}
                self._record({}, self._aside)
                why = (
                    *why,
                    f"the drafts cannot be checked with the files as they are now, and are kept aside: {error}",
                )
        return list(why)

    def close(self) -> None:
        """Leave the drafts for the next server."""
        if self._journal is not None:
            if self._left is not None:
                self._journal.let_go(self._left)
                self._left = None
            self._journal.close()

    def sync(self) -> None:
        """Wait until the drafts are on the disk."""
        self._sync()

    @property
    def dirty(self) -> bool:
        """Tell whether a power failure could still take a draft."""
        return self._journal is not None and self._journal.dirty

    # --- inside -----------------------------------------------------------------------------------------------------

    def _record(self, drafts: Mapping[str, Edit], aside: Mapping[str, Edit]) -> None:
        if self._journal is not None:
            self._journal.record({**aside, **drafts})

    def _sync(self) -> None:
        if self._journal is not None:
            self._journal.sync()

    def _run(self, name: str) -> Run | None:
        """Return a run with its drafts, as it can be checked; None where it is deleted, or never was."""
        base, edit = self._base.get(name), self._drafts.get(name)
        self._notes.pop(name, None)
        return base if edit is None else self._edited(edit, base)

    def _edited(self, edit: Edit, run: Run | None) -> Run | None:
        """Return a run as edited; one that the project has without a route keeps all that is said of it there."""
        run = run if run is not None else self._without_route.get(edit.run)
        return edited(edit, run, self.opened.project_file)

    def _clipped(self, runs: Mapping[str, Run | None]) -> dict[str, Run | None]:
        """Return the runs without straps and supports beyond their ends: a shortened run has lost them for now."""
        present = {name: run for name, run in runs.items() if run is not None}
        bare = {name: replace(run, straps_at_m=(), supports_at_m=()) for name, run in present.items()}
        _, difference = self._checked.changed({**runs, **bare})
        fitted = {**self._runs, **{run.fitted.run.run_id: run for run in difference.runs}}
        result = dict(runs)
        for name, run in present.items():
            result[name], notes = within(run, fitted[name].fitted.length_m, TOLERANCE_M)
            if notes:
                self._notes[name] = notes
        return result

    def _as_checked(self, edit: Edit) -> Edit:
        if edit.run not in self._notes or edit.run not in self._runs:
            return edit
        run = self._runs[edit.run].fitted.run
        return replace(edit, straps_at_m=run.straps_at_m, supports_at_m=run.supports_at_m)

    def _told(self, difference: Difference) -> Message:
        told: Message = {
            "say": "checked",
            "revision": self.revision,
            "whole": False,
            "runs": [],
            "runs_gone": list(difference.runs_gone),
            "findings": [],
            "findings_gone": list(difference.gone),
            "chains": {},
            "summary": dict(difference.summary),
            "unsaved": self.unsaved,
            "notes": [note for notes in self._notes.values() for note in notes],
            "saved_as": self._saved_as.told(),
        }
        findings = [*difference.new, *difference.altered]
        if len(difference.runs) > WHOLE_RUNS or len(findings) > WHOLE_FINDINGS:
            return told | {"whole": True, "runs_gone": [], "findings_gone": []}
        told["runs"] = self._marked(self._maker.runs(difference.runs), self._drafts)
        told["findings"] = self._maker.findings(findings, self._runs)
        told["chains"] = {f.finding_id: chain_of(difference.chains, f.finding_id) for f in findings}
        return told

    def _marked(self, runs: list[Message], drafts: Mapping[str, Edit]) -> list[Message]:
        for run in runs:
            edit = drafts.get(run["id"])
            if edit is not None:
                run["changed"] = True
                if edit.added:
                    run["added"] = True
        return runs
