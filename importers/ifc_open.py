"""An IFC file on disk, looked at before any library gets it: what it is, whether it is whole, unpacked where zipped.

Nothing here trusts the file: archives are bounded by what comes out of them, names in them are not used as paths.
"""

from __future__ import annotations

import hashlib
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from route3d.errors import UnreadableFileError

UNPACKED_MAX = 2 << 30  # bytes; more is no building
RATIO_MAX = 400  # text of IFC files packs to a tenth; a thousandth is a trap
_HEAD = 1 << 20
_CHUNK = 1 << 20

# What a header says, and the published schema that it means; the second is read with a note where they differ.
_SCHEMAS = {
    "IFC2X3": "IFC2X3", "IFC2X3_TC1": "IFC2X3", "IFC2X3_FINAL": "IFC2X3", "IFC2X_FINAL": "", "IFC4": "IFC4",
    "IFC4_ADD1": "IFC4", "IFC4_ADD2": "IFC4", "IFC4_ADD2_TC1": "IFC4", "IFC4X3": "IFC4X3_ADD2",
    "IFC4X3_TC1": "IFC4X3_ADD2", "IFC4X3_ADD1": "IFC4X3_ADD2", "IFC4X3_ADD2": "IFC4X3_ADD2",
}  # fmt: skip
_OTHER_KINDS = (
    (b"\x1f\x8b", "is compressed with gzip: unpack it first"),
    (b"<?xml", "is IFC as XML, which is not read: export it as IFC text (.ifc)"),
    (b"<ifc", "is IFC as XML, which is not read: export it as IFC text (.ifc)"),
    (b"\x89HDF", "is IFC in an HDF5 container, which is not read: export it as IFC text (.ifc)"),
    (b"{", "is JSON, not IFC text: export it as IFC text (.ifc)"),
    (b"%PDF", "is a PDF file, not an IFC file: export the model as IFC"),
)
_SCHEMA = re.compile(rb"FILE_SCHEMA\s*\(\s*\(\s*'([^']*)'", re.IGNORECASE)
_ENTITY = re.compile(rb"(?:^|;)\s*#\d+\s*=", re.MULTILINE)
_END = re.compile(rb"END-ISO-10303-21\s*;")


@dataclass(frozen=True, slots=True)
class StagedIfc:
    """A file that a library can open."""

    path: Path
    sha256: str  # of the file as it is on disk, packed or not
    schema: str
    entities: int  # that stand in its text
    whole: bool  # it has its end
    notes: tuple[str, ...]


@contextmanager
def staged(path: Path, name: str) -> Iterator[StagedIfc]:
    """Give the file ready to be opened; what had to be unpacked for it goes away afterwards.

    Raises
    ------
    UnreadableFileError
        Missing, empty, of another kind, of a schema that was never published, or a trap.
    """
    digest = _digest(path, name)
    with tempfile.TemporaryDirectory(prefix="route3d-ifc-") as folder:
        scratch = Path(folder) / "model.ifc"
        text = path
        with path.open("rb") as stream:
            start = stream.read(8)
        if start.startswith(b"PK"):
            _unpack(path, name, scratch)
            text = scratch
        head, entities, whole = _looked_through(text, name)
        said = _said_schema(head, name)
        schema = _SCHEMAS.get(said.upper(), "")
        if not schema:
            raise UnreadableFileError(
                name,
                f"states the schema {said[:40]!r}, which is a draft or not known: export it as IFC2X3, IFC4 or IFC4X3",
            )
        notes = []
        if said != schema:
            notes.append(f"states the schema {said}, and was read as {schema}")
            text = _with_schema(text, scratch, said, schema)
        yield StagedIfc(text, digest, schema, entities, whole, tuple(notes))


def _digest(path: Path, name: str) -> str:
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            while block := stream.read(_CHUNK):
                digest.update(block)
        size = path.stat().st_size
    except FileNotFoundError as error:
        raise UnreadableFileError(name, "is not there: check the name and the folder") from error
    except IsADirectoryError as error:
        raise UnreadableFileError(name, "is a folder: name an IFC file inside it") from error
    except OSError as error:
        raise UnreadableFileError(name, f"cannot be opened ({error.strerror}): check who may read it") from error
    if size == 0:
        raise UnreadableFileError(name, "is empty (0 bytes): export it again")
    return digest.hexdigest()


def _unpack(path: Path, name: str, scratch: Path) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            inside = [
                member
                for member in archive.infolist()
                if not member.is_dir()
                and member.filename.lower().endswith(".ifc")
                and "__MACOSX" not in member.filename
            ]
            if len(inside) != 1:
                raise UnreadableFileError(
                    name, f"holds {len(inside)} IFC files, not one: unpack it and name the one to read"
                )
            member = inside[0]
            if member.flag_bits & 1:
                raise UnreadableFileError(name, "is locked with a password: unpack it first")
            limit = min(UNPACKED_MAX, max(member.compress_size, 1) * RATIO_MAX)
            if member.file_size > limit:
                raise UnreadableFileError(name, _bomb(member.file_size))
            size = 0
            with archive.open(member) as stream, scratch.open("wb") as out:
                while block := stream.read(_CHUNK):
                    size += len(block)
                    if size > limit:
                        raise UnreadableFileError(name, _bomb(size))
                    out.write(block)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError) as error:
        raise UnreadableFileError(
            name, f"is a damaged archive ({' '.join(str(error).split())[:80]}): pack it again"
        ) from error


def _bomb(size: int) -> str:
    return f"unpacks to more than {size >> 20} MB, which is no building: unpack it by hand and look at it"


def _looked_through(path: Path, name: str) -> tuple[bytes, int, bool]:
    """Return the start of the text, how many entities are written in it, and whether it has its end."""
    entities = 0
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
        for start, message in _OTHER_KINDS:
            if head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(start):
                raise UnreadableFileError(name, message)
        if b"ISO-10303-21" not in head[:4096]:
            raise UnreadableFileError(name, "is not an IFC file (it does not start with ISO-10303-21): export it again")
        block, rest = head, b""
        last = b""
        while block:
            cut = block.rfind(b"\n") + 1 if b"\n" in block else len(block)
            entities += len(_ENTITY.findall(rest + block[:cut]))
            rest = block[cut:]
            last = (last + block)[-4096:]
            block = stream.read(_CHUNK)
        entities += len(_ENTITY.findall(rest))
    return head, entities, _END.search(last) is not None


def _said_schema(head: bytes, name: str) -> str:
    found = _SCHEMA.search(head)
    if found is None:
        raise UnreadableFileError(name, "states no schema in its header (FILE_SCHEMA): export it again")
    return found.group(1).decode("ascii", errors="replace").strip()


def _with_schema(path: Path, scratch: Path, said: str, schema: str) -> Path:
    """Return a copy whose header names the published schema; only the header differs."""
    out = scratch.with_name("renamed.ifc")
    with path.open("rb") as stream, out.open("wb") as copy:
        head = stream.read(_HEAD)
        copy.write(_SCHEMA.sub(lambda m: m.group(0).replace(m.group(1), schema.encode()), head, count=1))
        while block := stream.read(_CHUNK):
            copy.write(block)
    return out
