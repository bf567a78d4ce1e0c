"""What a finding is as a topic of the BIM Collaboration Format (BCF, 2.1 and 3.0): its id, words and status."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from route3d.model.decision import Decision, Matter
from route3d.model.element import Element
from route3d.model.finding import CAUTION, Finding, Review
from route3d.model.sight import Sight
from route3d.model.topic import made_guid, topic_guid

AUTHOR = "route3d"
VERSIONS = ("2.1", "3.0")

STATUSES = {"open": "Open", "to-mend": "To mend", "accepted": "Accepted", "not-ours": "Not ours"}
MENDED = "Mended"
PRIORITIES = {"violation": "High", "caution": "Normal", "note": "Low"}
KINDS = {"violation": "Violation", "caution": "Caution", "note": "Note"}

_IFC_GUID = re.compile(r"[0-9A-Za-z_$]{22}")
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Cn", "Zl", "Zp"})
_TITLE_LETTERS = 200


@dataclass(frozen=True, slots=True)
class Remark:
    """One comment of a topic."""

    guid: str
    at: str  # UTC, ISO 8601
    author: str
    text: str


@dataclass(frozen=True, slots=True)
class Topic:
    """One finding, in the words and with the ids that leave the program."""

    guid: str
    title: str
    kind: str
    status: str
    priority: str
    labels: tuple[str, ...]
    created: str
    decided_at: str  # when our side decided last; "" where it never did
    owner: str
    due: str  # a date, or ""
    description: str
    remarks: tuple[Remark, ...]
    sight: Sight | None
    components: tuple[str, ...]  # ids in IFC of the elements that it is about
    file: str  # in which those elements are, "" where there are none
    has_picture: bool = False

    @property
    def view_guid(self) -> str:
        """Id of its viewpoint."""
        return made_guid(self.guid, "view")


def remark_guid(topic: str, decision: Decision) -> str:
    """Return the id of the comment that carries a decision."""
    return made_guid("remark", topic, decision.at, decision.by, decision.decided, decision.note)


def plain(text: str, lines: bool = False) -> str:
    """Return text that any XML may hold and that shows every sign; ``lines`` keeps line ends.

    >>> plain("A\\x00B\\u202eC")
    'A‹U+0000›B‹U+202E›C'
    """
    kept = "\n\t" if lines else ""
    if not lines:
        text = " ".join(text.split())
    shown = "".join(
        sign if sign in kept or unicodedata.category(sign) not in _HIDDEN else f"‹U+{ord(sign):04X}›" for sign in text
    )
    return shown if shown.strip() else "–"


def finding_topic(
    review: Review,
    finding: Finding,
    *,
    element: Element | None = None,
    sight: Sight | None = None,
    matter: Matter | None = None,
    history: Sequence[Decision] = (),
    has_picture: bool = False,
) -> Topic:
    """Return a finding as a topic; ``matter`` and ``history`` are what the project's decisions say about it.

    A matter keeps its topic, whatever its finding is called today.
    """
    guid = matter.topic if matter is not None and matter.topic else topic_guid(review.project, finding.finding_id)
    known = element is not None and _IFC_GUID.fullmatch(element.guid) is not None
    where = "" if finding.run is None else f"{finding.run}: "
    title = plain(where + finding.message)
    labels = [finding.check, finding.rule.split(" (")[0]] + ([finding.run] if finding.run else [])
    return Topic(
        guid=guid,
        title=title if len(title) <= _TITLE_LETTERS else title[: _TITLE_LETTERS - 1] + "…",
        kind=KINDS[finding.severity],
        status=_status(matter),
        priority=PRIORITIES[finding.severity],
        labels=tuple(dict.fromkeys(plain(label) for label in labels if label.strip())),
        created=review.made if matter is None else matter.since,
        decided_at=max([matter.mended or "" if matter is not None else "", *(d.at for d in history)]),
        owner="" if matter is None or not matter.owner else plain(matter.owner),
        due="" if matter is None else matter.due,
        description=plain("\n".join(_told(review, finding, matter)), lines=True),
        remarks=tuple(
            Remark(remark_guid(guid, decision), decision.at, plain(decision.by), _decision_text(decision))
            for decision in history
        ),
        sight=sight,
        components=(element.guid,) if element is not None and known else (),
        file=plain(element.file) if element is not None and known else "",
        has_picture=has_picture,
    )


def instant(text: str) -> datetime | None:
    """Return the moment that a date of a topic means; without a zone it counts as UTC; None where it is none."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def _status(matter: Matter | None) -> str:
    if matter is None:
        return STATUSES["open"]
    return MENDED if matter.presence == "mended" else STATUSES[matter.decided]


def _told(review: Review, finding: Finding, matter: Matter | None) -> list[str]:
    lines = [finding.message, ""]
    if matter is not None and matter.presence == "mended":
        lines = [f"Mended: no longer found by the check of {matter.mended}. Before:", *lines]
    lines.append(f"Check: {finding.check}. Finding: {finding.finding_id}.")
    if finding.run is not None:
        lines.append(f"Run: {finding.run}.")
    if finding.other is not None:
        lines.append(f"Other: {finding.other}.")
    if finding.at_m is not None:
        lines.append(f"Along the run: {finding.at_m[0]:.3f} to {finding.at_m[1]:.3f} m.")
    if finding.measured is not None:
        lines.append(f"Measured: {finding.measured:.6g} {finding.unit}".rstrip() + ".")
    if finding.required is not None:
        lines.append(f"Required: {finding.required:.6g} {finding.unit}".rstrip() + ".")
    if finding.unchecked:
        lines.append("Because of this the run cannot be called passed.")
    lines.append(f"Rule: {finding.rule}" + (f" (value: {finding.source})." if finding.source else "."))
    lines.append(f"Remedy: {finding.remedy}")
    lines += ["", f"Project: {review.project}. Rule set: {review.rules}. Checked: {review.made}.", CAUTION]
    return lines


def _decision_text(decision: Decision) -> str:
    more = [decision.note] + [f"owner {decision.owner}"] * bool(decision.owner)
    more += [f"due {decision.due}"] * bool(decision.due)
    said = "; ".join(part for part in more if part)
    return plain(f"{STATUSES[decision.decided]}: {said}" if said else STATUSES[decision.decided], lines=True)
