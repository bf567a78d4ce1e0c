"""A project that is read again while people draw: checked anew only where it changed, and told as a difference."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from route3d.compare import Comparison, compare
from route3d.model.element import Element
from route3d.model.finding import Review
from route3d.model.job import Job
from route3d.model.revision import Revision, revision_of
from route3d.model.run import Run, same_run
from route3d.recheck import Checked
from route3d.rules.rulebook import RuleBook

Thing = TypeVar("Thing", Run, Element)

# What of a job may change without checking all of it again.
_FOLLOWED = frozenset({"runs", "elements", "clearance_m", "inputs", "beside", "takeoff"})


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A project as it was read last, checked."""

    job: Job
    rules: RuleBook
    checked: Checked
    review: Review
    whole: bool = True  # everything was checked for it, not only what had changed

    @classmethod
    def begin(cls, job: Job, rules: RuleBook, made: str) -> Followed:
        """Check a project for the first time; errors as ``Checked.open``."""
        checked = Checked.open(job, rules, made)
        return cls(job, rules, checked, checked.review)

    def read_again(self, job: Job, rules: RuleBook, made: str) -> tuple[Followed, Comparison]:
        """Return the project as it is now, and how it differs from before; errors as ``Checked.open``."""
        if not _same(self.rules, rules) or not _alike(self.job, job):
            later = Followed.begin(job, rules, made)
        else:
            checked, _ = self.checked.changed(
                _changes(self.job.runs, job.runs, "run_id"),
                elements=_changes(self.job.elements, job.elements, "element_id"),
                clearance_m=job.clearance_m,
                made=made,
            )
            # files are named in a review, but nothing is judged by them
            later = Followed(job, rules, checked, replace(checked.review, inputs=job.inputs), whole=False)
        return later, compare(self.revision, later.revision, (self.job.elements, job.elements))

    @property
    def revision(self) -> Revision:
        """What a later reading is compared with."""
        return revision_of(self.review)


def _alike(old: Job, new: Job) -> bool:
    """Tell whether two jobs differ in runs, elements and clearances only."""
    if {run.cable_id for run in new.runs} - set(old.cables):
        return False
    names = [name for name in Job.__dataclass_fields__ if not name.startswith("_") and name not in _FOLLOWED]
    return all(_same(getattr(old, name), getattr(new, name)) for name in names)


def _same(old: object, new: object) -> bool:
    """Compare values of a job; whatever holds arrays is compared part by part."""
    if old is new:
        return True
    if isinstance(old, np.ndarray) and isinstance(new, np.ndarray):
        return np.array_equal(old, new)
    if type(old) is not type(new):
        return False
    if isinstance(old, tuple) and isinstance(new, tuple):
        return len(old) == len(new) and all(_same(a, b) for a, b in zip(old, new, strict=True))
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        return old.keys() == new.keys() and all(_same(old[key], new[key]) for key in old)
    fields = getattr(old, "__dataclass_fields__", None)
    if fields is not None:
        return all(_same(getattr(old, name), getattr(new, name)) for name in fields)
    return bool(old == new)


def _changes(old: tuple[Thing, ...], new: tuple[Thing, ...], name: str) -> dict[str, Thing | None]:
    """Return by id what is new or changed, and None for what is gone."""
    before = {getattr(thing, name): thing for thing in old}
    after = {getattr(thing, name): thing for thing in new}
    changed: dict[str, Thing | None] = {key: None for key in before if key not in after}
    for key, thing in after.items():
        earlier = before.get(key)
        alike = isinstance(earlier, Run) and isinstance(thing, Run) and same_run(earlier, thing)
        if not alike and not _same(earlier, thing):
            changed[key] = thing
    return changed
