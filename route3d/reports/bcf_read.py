"""What others wrote into a BCF file, read back: comments and statuses by topic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from route3d.reports.bcf_topic import AUTHOR, Remark
from route3d.reports.bcf_zip import package

# Words of others, in small letters, and the decision that they stand for. Nothing says "mended": only a check does.
# "accepted" and "not ours" count only with a comment of the same author, since both need a reason and a name.
MEANINGS: Mapping[str, str] = {
    "open": "open",
    "new": "open",
    "active": "open",
    "reopened": "open",
    "re-opened": "open",
    "to mend": "to-mend",
    "assigned": "to-mend",
    "in progress": "to-mend",
    "accepted": "accepted",
    "not ours": "not-ours",
}


@dataclass(frozen=True, slots=True)
class TopicRead:
    """One topic, as others left it."""

    guid: str  # in small letters
    title: str
    status: str
    modified_at: str  # "" where nobody says that it was changed
    modified_by: str
    owner: str
    due: str
    remarks: tuple[Remark, ...]  # in their order; ``guid`` in small letters

    @property
    def changed_by_others(self) -> bool:
        """Somebody else says to have changed it."""
        return self.modified_by not in ("", AUTHOR)


@dataclass(frozen=True, slots=True)
class TopicsRead:
    """One file."""

    version: str
    topics: tuple[TopicRead, ...]


def read_bcf(path: Path) -> TopicsRead:
    """Read the topics of a BCF file.

    Raises
    ------
    UnreadableFileError
        It cannot be used; see `bcf_zip.package`. Nothing of it is read then.
    """
    with package(path) as opened:
        return TopicsRead(
            opened.version,
            tuple(_topic(guid, opened.xml(name).getroot()) for guid, name in opened.topics().items()),
        )


def _topic(guid: str, root: Any) -> TopicRead:
    node = root.find("Topic")
    if node is None:
        return TopicRead(guid, "", "", "", "", "", "", ())
    comments = [*root.findall("Comment"), *node.findall("Comments/Comment")]
    return TopicRead(
        guid=guid,
        title=_said(node, "Title"),
        status=str(node.get("TopicStatus", "")).strip(),
        modified_at=_said(node, "ModifiedDate"),
        modified_by=_said(node, "ModifiedAuthor"),
        owner=_said(node, "AssignedTo"),
        due=_said(node, "DueDate")[:10],
        remarks=tuple(
            Remark(
                guid=str(one.get("Guid", "")).lower(),
                at=_said(one, "ModifiedDate") or _said(one, "Date"),
                author=_said(one, "ModifiedAuthor") or _said(one, "Author"),
                text=_said(one, "Comment"),
            )
            for one in comments
        ),
    )


def _said(node: Any, name: str) -> str:
    child = node.find(name)
    return "" if child is None else "".join(child.itertext()).strip()
