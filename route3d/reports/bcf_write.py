"""Findings as a BCF file, 2.1 or 3.0: written topic by topic, so that thousands of them need no memory."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from route3d.model.finding import CHECKS
from route3d.reports.bcf_merge import merged_markup
from route3d.reports.bcf_parts import (
    PICTURE_FILE,
    VIEW_FILE,
    extensions_part,
    markup_part,
    project_part,
    version_part,
    view_part,
)
from route3d.reports.bcf_topic import Topic
from route3d.reports.bcf_zip import Package, package
from route3d.reports.writing import whole_file

# A fixed day keeps equal exports equal.
_DAY = (1980, 1, 1, 0, 0, 0)
_PACKED = frozenset({"png", "jpg", "jpeg"})


@dataclass(frozen=True, slots=True)
class Written:
    """How many topics were written, how many of them carry a picture, and what of others was kept."""

    topics: int
    pictures: int
    placeless: int  # topics of the whole job, which have no viewpoint
    kept_topics: int = 0  # topics of the older file that are not among those written
    joined: int = 0  # topics that were in the older file and were brought up to date in it


def write_bcf(path: Path, topics: Iterable[tuple[Topic, bytes | None]], *, project: str, version: str) -> Written:
    """Write topics with their pictures (PNG, None: without) as a new file, which appears whole or not at all.

    The same topics and pictures give the same bytes.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    with _archive(path) as archive:
        _put(archive, "bcf.version", version_part(version))
        _put(archive, "project.bcfp", project_part(version, project))
        if version == "3.0":
            _put(archive, "extensions.xml", extensions_part(CHECKS))
        count, pictures, placeless = 0, 0, 0
        for topic, picture in topics:
            _put(archive, f"{topic.guid}/markup.bcf", markup_part(version, topic))
            _put_view(archive, version, topic, picture, f"{topic.guid}/{VIEW_FILE}", f"{topic.guid}/{PICTURE_FILE}")
            count, pictures, placeless = count + 1, pictures + (picture is not None), placeless + (topic.sight is None)
    return Written(count, pictures, placeless)


def write_onto(path: Path, older: Path, topics: Iterable[tuple[Topic, bytes | None]]) -> Written:
    """Write topics into a copy of a BCF file of others, in its version; nothing of theirs is lost.

    Entries that are not of these topics are copied as they are, byte by byte. In the markup of a topic that is there
    already, our own fields are brought up to date, and everything else stays.

    Raises
    ------
    UnreadableFileError
        The older file cannot be used; see `bcf_zip.package`.
    InputError
        The folder cannot be written to.
    """
    with package(older) as old, _archive(path) as archive:
        theirs = old.topics()
        done: set[str] = set()
        count, pictures, placeless, joined = 0, 0, 0, 0
        for topic, picture in topics:
            there = theirs.get(topic.guid)
            if there is None:
                _put(archive, f"{topic.guid}/markup.bcf", markup_part(old.version, topic))
                _put_view(
                    archive, old.version, topic, picture, f"{topic.guid}/{VIEW_FILE}", f"{topic.guid}/{PICTURE_FILE}"
                )
            else:
                done |= _join(archive, old, there, topic, picture)
                joined += 1
            count, pictures, placeless = count + 1, pictures + (picture is not None), placeless + (topic.sight is None)
        for name, info in old.entries.items():
            if name not in done:
                data = b"" if name.endswith("/") else old.bytes_of(name)
                _put(archive, info.filename, data)
    return Written(count, pictures, placeless, len(theirs) - joined, joined)


def _join(archive: zipfile.ZipFile, old: Package, there: str, topic: Topic, picture: bytes | None) -> set[str]:
    """Write a topic that the older file has; return the names of its entries that are replaced by this."""
    folder = there.rsplit("/", 1)[0]
    merged = merged_markup(old.xml(there), old.version, topic, picture is not None, f"{old.path}: {there}")
    _put(archive, old.entries[there].filename, merged.markup)
    view, snapshot = f"{folder}/{merged.view_file}", f"{folder}/{merged.picture_file}"
    done = {there}
    if topic.sight is not None:
        _put(archive, view, view_part(old.version, topic))
        done.add(view)
    if picture is not None:
        _put(archive, snapshot, picture)
        done.add(snapshot)
    return done


def _put_view(
    archive: zipfile.ZipFile, version: str, topic: Topic, picture: bytes | None, view: str, snapshot: str
) -> None:
    if topic.sight is not None:
        _put(archive, view, view_part(version, topic))
    if picture is not None:
        _put(archive, snapshot, picture)


def _put(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    info = zipfile.ZipInfo(name, _DAY)
    info.create_system = 3  # the same bytes on every system
    info.external_attr = 0o644 << 16
    packed = name.rsplit(".", 1)[-1].lower() in _PACKED
    info.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
    archive.writestr(info, data)


@contextmanager
def _archive(path: Path) -> Iterator[zipfile.ZipFile]:
    """Give an archive that takes its place when it is complete; errors as ``writing.whole_file``."""
    with whole_file(path) as file, zipfile.ZipFile(file, "w") as archive:
        yield archive
