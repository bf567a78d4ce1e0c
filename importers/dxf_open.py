"""A DXF file from disk to a loaded document, mended where it is damaged, and with a word on what was lost.

The one place that calls the DXF library's loaders, and that turns their failures into ``UnreadableFileError``.
"""

from __future__ import annotations

import hashlib
import io
import logging
import re
import struct
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from ezdxf import recover
from ezdxf.document import Drawing as DxfDocument
from ezdxf.filemanagement import dxf_stream_info, read, readfile
from ezdxf.lldxf.const import DXF12, DXFError

from importers.dxf_bulk import Bulk, take_out
from importers.dxf_parts import Part
from route3d.errors import UnreadableFileError
from route3d.model.building import Unread

log = logging.getLogger(__name__)

# What the library raises on damaged files besides its own errors: it trusts numbers, handles and links that it reads.
LIBRARY_ERRORS = (
    StopIteration,
    DXFError,
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    OSError,
    RecursionError,
    TypeError,
    ValueError,
    struct.error,
)

_KINDS_OF_OTHER_FILES = (
    (b"\x1f\x8b", "is compressed with gzip: unpack it first"),
    (b"PK\x03\x04", "is a zip archive: unpack it first"),
    (b"AC10", "is a DWG file, which no open reader covers: save it as DXF"),
    (b"AC1.", "is a DWG file, which no open reader covers: save it as DXF"),
    (b"ISO-10303-21", "is a STEP or IFC text file, not a DXF file: give it its own suffix"),
    (b"%PDF", "is a PDF file, not a DXF file: export the drawing as DXF"),
)
_SECTION = re.compile(rb"^[ \t]*0[ \t]*\r?\n[ \t]*(SECTION|ENDSEC|EOF)[ \t]*\r?$", re.MULTILINE)
_SECTION_NAME = re.compile(rb"[ \t]*2[ \t]*\r?\n[ \t]*(\w+)")
# a group 0 with a name: a text value "0" is always followed by a line that holds nothing but a number
_ENTITY = re.compile(rb"^[ \t]*0[ \t]*\r?\n[ \t]*((?:3D)?[A-Z_][A-Za-z0-9_ ]*?)[ \t]*\r?$", re.MULTILINE)
_PARTS = frozenset({b"VERTEX", b"SEQEND", b"ATTRIB"})  # of the entity before them
_OTHER_SECTIONS = frozenset({b"HEADER", b"CLASSES", b"TABLES", b"OBJECTS", b"THUMBNAILIMAGE", b"ACDSDATA"})
# how the repair says that it took the first digits of what is no number
_GUESS = re.compile(
    r'recovered invalid (?:floating point|integer) value "(?P<written>.*)" near line (?P<line>\d+) as', re.S
)
_DECIMAL_COMMA = re.compile(r"\s*[-+]?\d+,\d*\s*$")
_BRACKETS = frozenset({b"SECTION", b"ENDSEC", b"BLOCK", b"ENDBLK", b"EOF"})


@dataclass(frozen=True, slots=True, eq=False)
class OpenedDxf:
    """A loaded document and what had to be done to load it.

    ``lost`` is set when entities of the file are certainly not in ``doc``: a reader must report ``unread_rows``.
    """

    doc: DxfDocument
    notes: tuple[str, ...]  # one sentence each
    sha256: str  # of the file as it is on disk
    recovered: bool = False  # the plain loader refused it
    truncated: bool = False  # it ends inside its blocks or entities
    lost: str | None = None  # what is missing and how to mend it, one clause
    bulk: dict[str, tuple[Part, ...]] = field(default_factory=dict)  # by the handle of their placeholder in ``doc``

    def unread_rows(self, name: str) -> tuple[Unread, ...]:
        """Return the row of unknown extent that stands for what was lost; ``name`` is how messages call the file."""
        return (Unread(name, "", "", "FILE", self.lost),) if self.lost is not None else ()


def open_dxf(path: Path, *, in_bulk: bool = False, lines: bool = True) -> OpenedDxf:
    """Load an ASCII or binary DXF file, with repair where the plain loader refuses it.

    With ``in_bulk`` plain faces and meshes of a large text come as arrays, and ``doc`` has placeholders for them; so do
    single ``lines``, unless they are wanted as entities.

    Raises
    ------
    UnreadableFileError
        Missing, empty, of another kind, damaged beyond repair, or without any entity in model space.
    """
    raw = _bytes_of(path)
    digest = hashlib.sha256(raw).hexdigest()
    if _is_binary(raw):
        doc = _load_binary(path)
        notes: list[str] = []
        recovered, truncated = False, False
        lost = None
    else:
        text = raw.removeprefix(b"\xef\xbb\xbf")
        taken = _load_in_bulk(path, text, lines) if in_bulk else None
        if taken is not None:
            doc, bulk = taken
            _forget_default_unit(doc, raw)
            return OpenedDxf(doc, (), digest, bulk=bulk.parts)
        doc, notes, recovered, truncated, guessed = _load_text(path, text)
        lost = _lost_clause(text, doc, truncated) or guessed
    _forget_default_unit(doc, raw)
    if lost is None and not doc.modelspace():
        raise UnreadableFileError(path, _nothing_in_it(doc))
    for note in notes:
        log.info("%s: %s", path, note)
    return OpenedDxf(doc, tuple(notes), digest, recovered, truncated, lost)


def _bytes_of(path: Path) -> bytes:
    """Return the whole file, or say why it cannot be a DXF file."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError as error:
        raise UnreadableFileError(path, "is not there: check the name and the folder") from error
    except IsADirectoryError as error:
        raise UnreadableFileError(path, "is a folder: name a DXF file inside it") from error
    except OSError as error:
        raise UnreadableFileError(path, f"cannot be opened ({error.strerror}): check who may read it") from error
    if not raw:
        raise UnreadableFileError(path, "is empty (0 bytes): export it again")
    for start, message in _KINDS_OF_OTHER_FILES:
        if raw.startswith(start):
            raise UnreadableFileError(path, message)
    if not _is_binary(raw) and _SECTION.search(raw) is None:
        raise UnreadableFileError(path, "is not a DXF file (it has no section): export the drawing as DXF")
    return raw


def _is_binary(raw: bytes) -> bool:
    """Tell whether the file starts with the 22 byte mark of a binary DXF file."""
    return raw[18:22] == b"\r\n\x1a\x00" and raw[:18].endswith(b" Binary DXF")


def _load_binary(path: Path) -> DxfDocument:
    try:
        return readfile(path)
    except LIBRARY_ERRORS as error:
        raise UnreadableFileError(
            path, f"is a damaged binary DXF file ({_short(error)}): export it again, as text DXF if it fails again"
        ) from error


def _load_in_bulk(path: Path, text: bytes, lines: bool) -> tuple[DxfDocument, Bulk] | None:
    """Return the document without what can be read in bulk, and that; None where there is the least doubt."""
    try:
        info = dxf_stream_info(io.TextIOWrapper(io.BytesIO(text), encoding="utf-8", errors="ignore"))
        marked = info.version > DXF12
        bulk = take_out(text, info.encoding, lines=lines, marked=marked)
        if bulk is None:
            return None
        doc = read(io.TextIOWrapper(io.BytesIO(bulk.rest), encoding=info.encoding, errors="surrogateescape"))
        doc.filename = str(path)
        if marked == (doc.dxfversion > DXF12) and _lost_clause(bulk.rest, doc, truncated=False) is None:
            return doc, bulk
    except (*LIBRARY_ERRORS, StopIteration) as error:
        log.info("%s: not read in bulk: %s", path, error)
    return None


def _forget_default_unit(doc: DxfDocument, raw: bytes) -> None:
    """Drop the unit that the library assumes where the file has no header."""
    if b"$INSUNITS" not in raw:
        doc.header["$INSUNITS"] = 0


def _load_text(path: Path, text: bytes) -> tuple[DxfDocument, list[str], bool, bool, str | None]:
    """Return document, notes, recovered, truncated, and what was guessed."""
    cut = _cut_at_last_entity(text)
    if cut is not None:
        doc, said, guessed = _recover(path, cut)
        notes = [f"the file ends in the middle of its geometry; what is whole was read ({said})"]
        return doc, notes, True, True, guessed
    try:
        return readfile(path), [], False, False, None
    except LIBRARY_ERRORS as error:
        log.info("%s: the plain loader says: %s", path, error)
        doc, said, guessed = _recover(path, text)
        return doc, [f"the file is damaged and was recovered ({said})"], True, False, guessed


def _recover(path: Path, text: bytes) -> tuple[DxfDocument, str, str | None]:
    """Load with repair; returns the document, how much had to be repaired, and what the repair made up."""
    try:
        doc, auditor = recover.read(io.BytesIO(text))
        len(doc.modelspace())
    except LIBRARY_ERRORS as error:
        raise UnreadableFileError(
            path, f"is damaged and could not be recovered ({_short(error)}): export it again"
        ) from error
    guesses = [m for error in auditor.errors if (m := _GUESS.match(str(error.message))) is not None]
    guesses = [m for m in guesses if not _is_number(m["written"])]  # neighbours of what is no number are listed too
    comma = next((m for m in guesses if _DECIMAL_COMMA.match(m["written"])), None)
    if comma is not None:
        # the repair would drop all behind the comma
        raise UnreadableFileError(
            path,
            f"writes numbers with a decimal comma ({comma['written'].strip()!r} near line {comma['line']}): "
            "export it with decimal points",
        )
    guessed = None
    if guesses:
        first = f"{_short(ValueError(guesses[0]['written']))!r} near line {guesses[0]['line']}"
        guessed = f"{len(guesses)} of its numbers cannot be read and were guessed (first {first}): export it again"
    return doc, f"{len(auditor.errors)} errors left, {len(auditor.fixes)} repaired", guessed


def _is_number(written: str) -> bool:
    try:
        float(written)
    except ValueError:
        return False
    return True


def _cut_at_last_entity(text: bytes) -> bytes | None:
    """Return the file closed after its last whole entity, or None if it does not end inside blocks or entities.

    The entity that was being written when the file ended may look whole, and is dropped all the same.
    """
    brackets = list(_SECTION.finditer(text))
    if not brackets or brackets[-1].group(1) != b"SECTION":
        return None
    last = brackets[-1]
    name = _SECTION_NAME.match(text, last.end() + 1)
    if name is None or name.group(1) not in (b"BLOCKS", b"ENTITIES"):
        # cut before, or (objects, stored data) after, all geometry: the loader sees for itself what is there
        return None if _has_section(text, b"ENTITIES") else text[: last.start()] + b"  0\nEOF\n"
    starts = [m for m in _ENTITY.finditer(text, name.end()) if m.group(1) not in _PARTS]
    at = starts[-1].start() if starts else name.end() + 1
    inside_block = bool(starts) and name.group(1) == b"BLOCKS" and starts[-1].group(1) not in (b"BLOCK", b"ENDBLK")
    close = b"  0\nENDBLK\n" if inside_block else b""
    return text[:at].rstrip(b"\r\n") + b"\n" + close + b"  0\nENDSEC\n  0\nEOF\n"


def _has_section(text: bytes, name: bytes) -> bool:
    """Tell whether a section of that name is opened anywhere."""
    for bracket in _SECTION.finditer(text):
        found = _SECTION_NAME.match(text, bracket.end() + 1) if bracket.group(1) == b"SECTION" else None
        if found is not None and found.group(1) == name:
            return True
    return False


def _written(text: bytes) -> Counter[bytes]:
    """Return how many entities of each kind stand in the text, whether in their sections or astray outside of all."""
    count: Counter[bytes] = Counter()
    brackets = [*_SECTION.finditer(text)]
    for number, bracket in enumerate(brackets):
        start = bracket.end()
        if bracket.group(1) == b"SECTION":
            name = _SECTION_NAME.match(text, start + 1)
            if name is not None and name.group(1) in _OTHER_SECTIONS:
                continue
        end = brackets[number + 1].start() if number + 1 < len(brackets) else len(text)
        if bracket.group(1) != b"EOF":
            count.update(_ENTITY.findall(text, start, end))
    for part in _PARTS | _BRACKETS:
        count.pop(part, None)
    return count


def _loaded(doc: DxfDocument) -> Counter[bytes]:
    """Return how many entities of each kind the document holds, blocks and layouts together."""
    return Counter(entity.dxftype().encode(errors="surrogateescape") for block in doc.blocks for entity in block)


def _lost_clause(text: bytes, doc: DxfDocument, truncated: bool) -> str | None:
    """Return what is in the file and not in the document, as one clause, or None."""
    if truncated:
        return "the file ends in the middle of its geometry, the rest is missing: export it again"
    missing = _written(text) - _loaded(doc)
    if not missing:
        return None
    kinds = ", ".join(f"{count} {kind.decode(errors='replace')}" for kind, count in missing.most_common(5))
    return f"entities are lost because the file is damaged ({kinds}): export it again"


def _nothing_in_it(doc: DxfDocument) -> str:
    on_paper = sum(len(layout) for layout in doc.layouts if not layout.is_modelspace)
    if on_paper:
        return f"has nothing in model space ({on_paper} entities on paper layouts): draw the building in model space"
    return "has no entities at all: export it again with the objects that you need"


def _short(error: BaseException) -> str:
    """Return the library's message on one line, without a full stop, at most 120 characters."""
    words = " ".join(str(error).split()).rstrip(".")
    return (words or type(error).__name__)[:120]
