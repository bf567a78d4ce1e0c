"""Our topic brought up to date in a markup that others have written in, which keeps every element of theirs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lxml import etree

from route3d.errors import UnreadableFileError
from route3d.reports.bcf_parts import PICTURE_FILE, VIEW_FILE, comment, view_entry
from route3d.reports.bcf_topic import AUTHOR, Topic, instant

# The order that the schemas ask for; 2.1 and 3.0 differ in names only.
_ORDER = (
    "ReferenceLink", "ReferenceLinks", "Title", "Priority", "Index", "Labels", "CreationDate", "CreationAuthor",
    "ModifiedDate", "ModifiedAuthor", "DueDate", "AssignedTo", "Stage", "Description", "BimSnippet",
    "DocumentReference", "DocumentReferences", "RelatedTopic", "RelatedTopics", "Comments", "Viewpoints",
)  # fmt: skip
_RANK = {name: place for place, name in enumerate(_ORDER)}


@dataclass(frozen=True, slots=True)
class Merged:
    """The markup, and the files in the topic's folder that its viewpoint is in."""

    markup: bytes
    view_file: str
    picture_file: str


def merged_markup(tree: Any, version: str, topic: Topic, has_picture: bool, where: str) -> Merged:
    """Return the markup of others with our title, priority, description, labels, decisions and view brought up to date.

    Their status, owner and date stay where they were set after our last decision.

    Raises
    ------
    UnreadableFileError
        It holds no topic of this id.
    """
    root = tree.getroot()
    node = root.find("Topic")
    if root.tag != "Markup" or node is None or str(node.get("Guid", "")).lower() != topic.guid:
        raise UnreadableFileError(where, "does not hold the topic that its folder is named after; export it again")
    _set(node, "Title", topic.title)
    _set(node, "Priority", topic.priority)
    _set(node, "Description", topic.description)
    _add_labels(node, version, topic)
    if not theirs_is_newer(node, topic.decided_at):
        node.set("TopicStatus", topic.status)
        if topic.owner:
            _set(node, "AssignedTo", topic.owner)
        if topic.due:
            _set(node, "DueDate", f"{topic.due}T00:00:00Z")
    _add_remarks(root, node, version, topic)
    view_file, picture_file = _view(root, node, version, topic, has_picture)
    markup = bytes(etree.tostring(tree, encoding="UTF-8", xml_declaration=True)) + b"\n"
    return Merged(markup, view_file, picture_file)


def theirs_is_newer(node: Any, decided_at: str) -> bool:
    """Say whether others changed a topic (element) after our side decided last, or our side never did."""
    author = (node.findtext("ModifiedAuthor") or "").strip()
    if author in ("", AUTHOR):
        return False
    ours, theirs = instant(decided_at), instant(node.findtext("ModifiedDate") or "")
    return ours is None or theirs is None or theirs > ours


def _set(node: Any, name: str, text: str) -> None:
    child = node.find(name)
    if child is None:
        child = etree.Element(name)
        _insert(node, child)
    child.text = text


def _insert(node: Any, child: Any) -> None:
    """Put a child where the schema wants it; comments and elements that nobody knows keep their places."""
    rank = _RANK[child.tag]
    for place, other in enumerate(node):
        if isinstance(other.tag, str) and _RANK.get(other.tag, -1) > rank:
            node.insert(place, child)
            return
    node.append(child)


def _group(node: Any, name: str) -> Any:
    group = node.find(name)
    if group is None:
        group = etree.Element(name)
        _insert(node, group)
    return group


def _add_labels(node: Any, version: str, topic: Topic) -> None:
    if version == "3.0":
        group = _group(node, "Labels")
        known = {(label.text or "").strip() for label in group.findall("Label")}
        for label in topic.labels:
            if label not in known:
                etree.SubElement(group, "Label").text = label
        return
    known = {(label.text or "").strip() for label in node.findall("Labels")}
    for label in topic.labels:
        if label not in known:
            child = etree.Element("Labels")
            child.text = label
            _insert(node, child)


def _add_remarks(root: Any, node: Any, version: str, topic: Topic) -> None:
    """Add our decisions as comments; one that was a comment of theirs, taken over by us, is there already."""
    new = version == "3.0"
    there = node.findall("Comments/Comment") if new else root.findall("Comment")
    ids = {str(c.get("Guid", "")).lower() for c in there}
    said = {((c.findtext("Author") or "").strip(), instant(c.findtext("Date") or "")) for c in there}
    for remark in topic.remarks:
        if remark.guid in ids or (remark.author, instant(remark.at)) in said:
            continue
        element = comment(remark)
        if new:
            _group(node, "Comments").append(element)
            continue
        last = root.findall("Comment")
        (last[-1] if last else node).addnext(element)


def _view(root: Any, node: Any, version: str, topic: Topic, has_picture: bool) -> tuple[str, str]:
    """Name our view in the markup, if it is not there yet; return its files, those that it already names."""
    new = version == "3.0"
    entries = node.findall("Viewpoints/ViewPoint") if new else root.findall("Viewpoints")
    ours = next((e for e in entries if str(e.get("Guid", "")).lower() == topic.view_guid), None)
    if ours is None:
        # names of our own, since theirs may use the usual ones
        view_file, picture_file = (
            (f"{topic.view_guid}.bcfv", f"{topic.view_guid}.png") if entries else (VIEW_FILE, PICTURE_FILE)
        )
        if topic.sight is not None or has_picture:
            entry = view_entry(version, topic, view_file, picture_file if has_picture else "")
            if new:
                _group(node, "Viewpoints").append(entry)
            else:
                root.append(entry)
        return view_file, picture_file
    view_file = _file_named(ours, "Viewpoint", topic.sight is not None, VIEW_FILE)
    return view_file, _file_named(ours, "Snapshot", has_picture, PICTURE_FILE)


def _file_named(entry: Any, name: str, wanted: bool, usual: str) -> str:
    said = (entry.findtext(name) or "").strip()
    if said and "/" not in said and "\\" not in said:
        return said
    if wanted:
        child = entry.find(name)
        if child is None:
            child = etree.Element(name)
            entry.insert(0 if name == "Viewpoint" else len(entry.findall("Viewpoint")), child)
        child.text = usual
    return usual
