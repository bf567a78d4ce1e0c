"""The XML parts of a BCF file, 2.1 and 3.0, made from a topic."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from lxml import etree

from route3d.model.sight import Sight, Vector
from route3d.model.topic import made_guid
from route3d.reports.bcf_topic import AUTHOR, KINDS, MENDED, PRIORITIES, STATUSES, Remark, Topic, plain

VIEW_FILE, PICTURE_FILE = "viewpoint.bcfv", "snapshot.png"


def text_of(root: Any) -> bytes:
    """Return an element or tree as the bytes of a file."""
    return bytes(etree.tostring(root, encoding="UTF-8", xml_declaration=True, pretty_print=True))


def version_part(version: str) -> bytes:
    """Return ``bcf.version``."""
    root = etree.Element("Version", VersionId=version)
    if version == "2.1":
        _add(root, "DetailedVersion", version)
    return text_of(root)


def project_part(version: str, project: str) -> bytes:
    """Return ``project.bcfp``."""
    root = etree.Element("ProjectInfo" if version == "3.0" else "ProjectExtension")
    inner = etree.SubElement(root, "Project", ProjectId=made_guid("project", project))
    _add(inner, "Name", plain(project))
    if version == "2.1":
        etree.SubElement(root, "ExtensionSchema")
    return text_of(root)


def extensions_part(checks: Sequence[str]) -> bytes:
    """Return ``extensions.xml`` of 3.0: the words that our topics use."""
    root = etree.Element("Extensions")
    for outer, inner, words in (
        ("TopicTypes", "TopicType", tuple(KINDS.values())),
        ("TopicStatuses", "TopicStatus", (*STATUSES.values(), MENDED)),
        ("Priorities", "Priority", tuple(PRIORITIES.values())),
        ("TopicLabels", "TopicLabel", tuple(checks)),
        ("Users", "User", (AUTHOR,)),
    ):
        group = etree.SubElement(root, outer)
        for word in words:
            _add(group, inner, word)
    return text_of(root)


def markup_part(version: str, topic: Topic) -> bytes:
    """Return ``markup.bcf`` of a topic."""
    new = version == "3.0"
    root = etree.Element("Markup")
    if topic.file:
        header = etree.SubElement(root, "Header")
        files = etree.SubElement(header, "Files") if new else header
        _add(etree.SubElement(files, "File"), "Filename", topic.file)
    node = etree.SubElement(root, "Topic", Guid=topic.guid, TopicType=topic.kind, TopicStatus=topic.status)
    _add(node, "Title", topic.title)
    _add(node, "Priority", topic.priority)
    labels = etree.SubElement(node, "Labels") if new else node
    for label in topic.labels:
        _add(labels, "Label" if new else "Labels", label)
    _add(node, "CreationDate", topic.created)
    _add(node, "CreationAuthor", AUTHOR)
    if topic.due:
        _add(node, "DueDate", f"{topic.due}T00:00:00Z")
    if topic.owner:
        _add(node, "AssignedTo", topic.owner)
    _add(node, "Description", topic.description)
    remarks = etree.SubElement(node, "Comments") if new else root
    for remark in topic.remarks:
        remarks.append(comment(remark))
    if topic.sight is not None or topic.has_picture:
        views = etree.SubElement(node, "Viewpoints") if new else root
        views.append(view_entry(version, topic, VIEW_FILE, PICTURE_FILE if topic.has_picture else ""))
    return text_of(root)


def view_entry(version: str, topic: Topic, view_file: str, picture_file: str) -> Any:
    """Return the element of a markup that names the files of a topic's viewpoint."""
    node = etree.Element("ViewPoint" if version == "3.0" else "Viewpoints", Guid=topic.view_guid)
    if topic.sight is not None:
        _add(node, "Viewpoint", view_file)
    if picture_file:
        _add(node, "Snapshot", picture_file)
    return node


def comment(remark: Remark) -> Any:
    """Return one comment as an element; both versions agree on it."""
    node = etree.Element("Comment", Guid=remark.guid)
    _add(node, "Date", remark.at)
    _add(node, "Author", remark.author)
    _add(node, "Comment", remark.text)
    return node


def view_part(version: str, topic: Topic) -> bytes:
    """Return the viewpoint (``.bcfv``) of a topic that has a place."""
    sight = topic.sight
    if sight is None:
        raise ValueError("a topic without a place has no viewpoint")
    root = etree.Element("VisualizationInfo", Guid=topic.view_guid)
    if topic.components:
        _components(root, topic.components)
    _camera(root, version, sight)
    if sight.cuts:
        planes = etree.SubElement(root, "ClippingPlanes")
        for point, away in sight.cuts:
            plane = etree.SubElement(planes, "ClippingPlane")
            _vector(plane, "Location", point)
            _vector(plane, "Direction", away)
    return text_of(root)


def _components(root: Any, guids: Iterable[str]) -> None:
    components = etree.SubElement(root, "Components")
    chosen = etree.SubElement(components, "Selection")
    for guid in guids:
        etree.SubElement(chosen, "Component", IfcGuid=guid)
    etree.SubElement(components, "Visibility", DefaultVisibility="true")


def _camera(root: Any, version: str, sight: Sight) -> None:
    camera = etree.SubElement(root, "PerspectiveCamera")
    _vector(camera, "CameraViewPoint", sight.eye_m)
    _vector(camera, "CameraDirection", sight.looking)
    _vector(camera, "CameraUpVector", sight.up)
    _add(camera, "FieldOfView", f"{sight.height_deg:.6f}")
    if version == "3.0":
        _add(camera, "AspectRatio", f"{sight.aspect:.6f}")


def _vector(parent: Any, name: str, vector: Vector) -> None:
    node = etree.SubElement(parent, name)
    for axis, value in zip("XYZ", vector, strict=True):
        _add(node, axis, f"{value:.9f}")


def _add(parent: Any, name: str, text: str) -> None:
    etree.SubElement(parent, name).text = text
