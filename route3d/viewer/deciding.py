"""The record book of one viewer: what is kept on the project, decisions made in its windows, and those made elsewhere.

The database itself is handed in: the viewer knows only what a store can do. What people see here is always what the
store holds; nothing is told as decided before the store has it on disk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from threading import Lock, RLock
from typing import Any, Protocol

from route3d.errors import Route3DError
from route3d.matching import match_revisions
from route3d.model.decision import Decision, Kept, by_finding
from route3d.model.finding import Finding, Review
from route3d.model.revision import Revision
from route3d.recheck import Difference
from route3d.viewer.page_decisions import Block, is_same, page_decisions

FINDINGS_MAX = 5_000  # that are decided together
_TEXTS = ("decided", "by", "note", "owner", "due")


class DecideError(Route3DError):
    """A decision that cannot be made; nothing has changed."""


class Store(Protocol):
    """What the record book needs of a project's database; every method raises StoreError where it cannot be used."""

    def stamp(self) -> object:
        """Return something cheap that is another one after anybody wrote."""

    def kept(self) -> Kept:
        """Return all that is kept."""

    def follow(self, review: Review, checks: Sequence[str]) -> None:
        """Take note of a check of the project as it is saved, and record it where decisions are kept already."""

    def begin(self) -> None:
        """Begin to keep decisions: record the check that was followed last, if that has not been done."""

    def decide(self, numbers: Sequence[int], said: Mapping[str, str]) -> None:
        """Add one decision to matters, all or none; ``said`` has the texts of a `Decision` but its time."""


class Ledger:
    """What the windows of one viewer see of the decisions; all methods may be called from any thread."""

    def __init__(self, store: Store | None) -> None:
        self._store = store
        self._lock = Lock()  # held only to read or replace what follows
        self._working = RLock()
        self._saved: dict[str, Finding] = {}
        self._kept = Kept()
        self._stamp: object = None
        self._trouble = {"recording": "", "reading": ""}
        self._block: Block = page_decisions(self._kept, {})
        self.number = 1  # of what the block says: one more with each change

    def opened(self, review: Review, checks: Sequence[str]) -> None:
        """Follow the project as it was read and checked, without anybody's drafts."""
        with self._working:
            self._saved = {finding.finding_id: finding for finding in review.findings}
            self._trouble["recording"] = ""
            if self._store is not None:
                try:
                    self._store.follow(review, checks)
                except Route3DError as error:
                    self._trouble["recording"] = f"this check was not recorded: {error}"
            self._stamp = None
            self.refresh()

    def block(self) -> Block:
        """Return what review.json says of decisions."""
        with self._lock:
            return {**self._block, "decisions_number": self.number}

    def refresh(self) -> Block | None:
        """Read the store if anybody wrote; return what the page is to change, None where that is nothing."""
        with self._working:
            if self._store is None:
                return self._put()
            try:
                stamp = self._store.stamp()
                if stamp != self._stamp or self._trouble["reading"]:
                    self._kept = self._store.kept()
                    self._stamp = stamp
                self._trouble["reading"] = ""
            except Route3DError as error:
                self._trouble["reading"] = f"decisions cannot be read, what you see of them may be old: {error}"
            return self._put()

    def decide(self, said: Mapping[str, Any]) -> Block:
        """Make the decision of a message and return what the page is to change.

        Raises
        ------
        Route3DError
            It cannot be made, in one sentence; nothing was written.
        """
        findings, texts = _read(said)
        with self._working:
            if self._store is None:
                raise DecideError("nothing can be decided here, since the project's folder cannot be written to")
            unknown = [name for name in findings if name not in self._saved]
            if unknown:
                raise DecideError(
                    f"finding {unknown[0]!r} is not in the project as it is saved: save the changes first, then decide"
                )
            self._store.begin()
            matters = by_finding(self._store.kept().matters)
            numbers = []
            for name in findings:
                matter = matters.get(name)
                if matter is None or not is_same(matter.finding, self._saved[name]):
                    raise DecideError(
                        f"finding {name!r} has changed since this page read the files: read them anew, then decide"
                    )
                numbers.append(matter.number)
            self._store.decide(numbers, texts)
            self._trouble["recording"] = ""
            changed = self.refresh()
            return {} if changed is None else changed

    def _put(self) -> Block | None:
        """Replace the block, and return what is another one in it."""
        made = page_decisions(self._kept, self._saved)
        made["decisions_trouble"] = "; ".join(why for why in self._trouble.values() if why)
        with self._lock:
            before = self._block
            if made == before:
                return None
            self._block = made
            self.number += 1
            number = self.number
        old, new = before["decisions"], made["decisions"]
        told = {key: value for key, value in made.items() if key != "decisions" and value != before.get(key)}
        return {
            **told,
            "decisions": {key: entry for key, entry in new.items() if entry != old.get(key)},
            "decisions_gone": [key for key in old if key not in new],
            "decisions_number": number,
        }


class SavedAs:
    """Which findings of the drafted review are which of the saved one: ids count along a run, so they shift."""

    def __init__(self, saved: Review) -> None:
        self._saved = {finding.finding_id: finding for finding in saved.findings}
        self._rules = saved.rules
        self._differs: dict[str, Finding | None] = {}
        self._told: dict[str, str | None] = {}

    def follow(self, difference: Difference) -> None:
        """Take in what a check of drafts changed."""
        for finding in (*difference.new, *difference.altered):
            self._note(finding.finding_id, finding)
        for finding_id in difference.gone:
            self._note(finding_id, None)
        old = [self._saved[name] for name in self._differs if name in self._saved]
        new = [finding for finding in self._differs.values() if finding is not None]
        known: dict[str, str | None] = {finding.finding_id: None for finding in new}
        if old and new:
            for match in match_revisions(self._revision(old), self._revision(new)).matches:
                if not match.ambiguous:
                    known[new[match.new].finding_id] = old[match.old].finding_id
        self._told = {name: was for name, was in known.items() if name != was}

    def told(self) -> dict[str, str | None]:
        """Return the id in the saved review by the id that is shown, where they differ; None: it is not in there."""
        return self._told

    def _note(self, finding_id: str, finding: Finding | None) -> None:
        if self._saved.get(finding_id) == finding:
            self._differs.pop(finding_id, None)
        else:
            self._differs[finding_id] = finding

    def _revision(self, findings: Sequence[Finding]) -> Revision:
        return Revision("", self._rules, "", (), tuple(findings), (), 0)


def _read(said: Mapping[str, Any]) -> tuple[list[str], dict[str, str]]:
    findings = said.get("findings")
    if not isinstance(findings, list) or not findings or not all(isinstance(name, str) for name in findings):
        raise DecideError("a decision names the findings that it is about")
    if len(findings) > FINDINGS_MAX:
        raise DecideError(f"at most {FINDINGS_MAX} findings are decided together; narrow the list")
    texts = {name: said.get(name, "") for name in _TEXTS}
    for name, text in texts.items():
        if not isinstance(text, str):
            raise DecideError(f"{name!r} of a decision must be text")
        # halves of letters, which no file takes
        texts[name] = text.encode("utf-8", "replace").decode("utf-8").strip()
    return list(dict.fromkeys(findings)), texts


def decision_of(said: Mapping[str, str], at: str) -> Decision:
    """Return the decision that a window made, with its time."""
    return Decision(at, said["by"], said["decided"], said["note"], said["owner"], said["due"])
