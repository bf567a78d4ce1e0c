"""BCF files of others, opened with care: limits on size, no names that leave the folder, no document types."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lxml import etree

from route3d.errors import UnreadableFileError
from route3d.files import NO_LIMIT, plain_size

MOST_ENTRIES = 200_000
MOST_XML = 16 << 20
MOST_BYTES = 2 << 30  # of everything, unpacked
MOST_RATIO = 200  # of an entry beyond ``FREE_BYTES``
FREE_BYTES = 1 << 20

_FOLDER = re.compile(r"([0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})/markup\.bcf")


@dataclass(frozen=True, slots=True)
class Package:
    """An open BCF file."""

    path: Path
    archive: zipfile.ZipFile
    version: str
    entries: dict[str, zipfile.ZipInfo]  # by name, with /

    def bytes_of(self, name: str) -> bytes:
        """Return one entry unpacked.

        Raises
        ------
        UnreadableFileError
            It is damaged.
        """
        try:
            return self.archive.read(self.entries[name])
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError) as error:
            raise UnreadableFileError(self.path, f"is damaged ({error}); ask for it again", name) from error

    def xml(self, name: str) -> Any:
        """Return one entry as an XML tree.

        Raises
        ------
        UnreadableFileError
            It is too large, no XML, or declares a document type or entities.
        """
        if self.entries[name].file_size > MOST_XML:
            raise UnreadableFileError(self.path, f"is larger than {MOST_XML >> 20} MB; that is no topic", name)
        return parsed(self.bytes_of(name), self.path, name)

    def topics(self) -> dict[str, str]:
        """Return the entries that hold topics, by the id in their folder's name, in small letters."""
        found = {}
        for name in self.entries:
            match = _FOLDER.fullmatch(name)
            if match is not None:
                found[match.group(1).lower()] = name
        return found


@contextmanager
def package(path: Path) -> Iterator[Package]:
    """Open a BCF file.

    Raises
    ------
    UnreadableFileError
        It is missing, no BCF file of a known version, or holds what a BCF file never holds.
    """
    if not path.exists():
        raise UnreadableFileError(path, "does not exist; name a .bcf or .bcfzip file")
    plain_size(path, NO_LIMIT)  # a pipe would be waited for, for good
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise UnreadableFileError(path, f"is no BCF file ({error}); name a .bcf or .bcfzip file") from error
    with archive:
        entries = _looked_through(path, archive.infolist())
        if "bcf.version" not in entries:
            raise UnreadableFileError(path, "has no bcf.version, so it is no BCF file; export it again")
        bare = Package(path, archive, "", entries)
        version = str(bare.xml("bcf.version").getroot().get("VersionId", ""))
        if version not in ("2.1", "3.0"):
            raise UnreadableFileError(path, f"is BCF {version[:20] or 'without a version'}; export it as 2.1 or 3.0")
        yield Package(path, archive, version, entries)


def parsed(data: bytes, path: object, name: str) -> Any:
    """Return XML as a tree, nothing fetched and nothing expanded; errors as ``Package.xml``."""
    # without zeros: the same search finds it in text of two bytes a letter
    if re.search(rb"<!(DOCTYPE|ENTITY)", data.replace(b"\0", b""), re.IGNORECASE):
        raise UnreadableFileError(path, "declares a document type or entities, as no BCF does; it is refused", name)
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False, huge_tree=False,
        remove_comments=False, remove_pis=False, strip_cdata=False,
    )  # fmt: skip
    try:
        tree = etree.ElementTree(etree.fromstring(data, parser))
    except (etree.XMLSyntaxError, ValueError, LookupError) as error:
        words = " ".join(str(error).split())[:120]
        raise UnreadableFileError(path, f"is no XML that can be read ({words}); export it again", name) from error
    if tree.docinfo.internalDTD is not None or tree.docinfo.externalDTD is not None:
        raise UnreadableFileError(path, "declares a document type, which BCF never does; it is refused", name)
    return tree


def _looked_through(path: Path, infos: list[zipfile.ZipInfo]) -> dict[str, zipfile.ZipInfo]:
    if len(infos) > MOST_ENTRIES:
        raise UnreadableFileError(path, f"holds more than {MOST_ENTRIES} files; split it")
    if sum(info.file_size for info in infos) > MOST_BYTES:
        raise UnreadableFileError(path, f"would unpack to more than {MOST_BYTES >> 30} GB; it is refused")
    entries: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        name = info.filename.replace("\\", "/")
        shown = ascii(name[:80])
        if name.startswith("/") or ":" in name or ".." in name.split("/") or "\0" in name:
            raise UnreadableFileError(path, f"holds a file called {shown}, which leads out of it; it is refused")
        if info.flag_bits & 1:
            raise UnreadableFileError(path, "is locked by a password; ask for it without", shown)
        if info.file_size > FREE_BYTES and info.file_size > MOST_RATIO * max(info.compress_size, 1):
            raise UnreadableFileError(path, f"unpacks to more than {MOST_RATIO} times its size; it is refused", shown)
        if name in entries:
            raise UnreadableFileError(
                path, "is in it twice, and nobody can tell which one counts; export it again", shown
            )
        entries[name] = info
    return entries
