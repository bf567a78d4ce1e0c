"""The records of a stored solid, text or binary, of every version that DXF files carry: names, pointers and numbers.

The fields follow the published description of the text format (version 7.0). Binary records hold the same fields with a
tag each, so that both are read by the same :class:`Fields`.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SIGNATURES = {b"ACIS BinaryFile": 4, b"ASM BinaryFile4": 4, b"ASM BinaryFile8": 8}  # bytes of a whole number
_ENDS = ("End-of-ACIS-data", "End-of-ASM-data", "Begin-of-ACIS-History-data", "Begin-of-ASM-History-Data")
_YES = frozenset({"reversed", "reverse_v", "reversed_v", "F", "double", "in", "1"})
_NO = frozenset({"forward", "forward_v", "I", "single", "out", "0"})
# from this version on every record has an identity behind its attributes
_IDENTITY = 700
# the only header line of the oldest versions holds the version, later ones have two more
_THREE_LINES = 200


class DamagedError(ValueError):
    """Why a stored solid, or one face of it, cannot be read: words that follow a number of faces."""


class FaceError(DamagedError):
    """Why one face is not read."""


class Pointer(int):
    """The number of another record; negative for none."""

    __slots__ = ()


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """One record: its name and what follows the attribute, identity and history that every record starts with."""

    name: str
    fields: Sequence[Any]

    @property
    def kind(self) -> str:
        """The last word of the name: ``surface`` of ``cone-surface``."""
        return self.name.rpartition("-")[2]

    @property
    def pointers(self) -> list[int]:
        """All pointers in their order."""
        return [int(f) for f in self.fields if isinstance(f, Pointer)]


class Fields:
    """A reader along the fields of one record; raises ``DamagedError`` at what is not of the kind asked for."""

    def __init__(self, fields: Sequence[Any], at: int = 0) -> None:
        self.fields = fields
        self.at = at

    def peek(self) -> Any:
        """Return the next field, None at the end."""
        return self.fields[self.at] if self.at < len(self.fields) else None

    def take(self) -> Any:
        """Return the next field and step over it."""
        if self.at >= len(self.fields):
            raise DamagedError("with a record that ends too early")
        self.at += 1
        return self.fields[self.at - 1]

    def number(self) -> float:
        """Return the next field as a finite number."""
        token = self.take()
        value = _number(token)
        if value is None or not math.isfinite(value) or abs(value) > 1e15:
            raise DamagedError("with a value that is no number")
        return value

    def count(self, most: int) -> int:
        """Return the next field as a whole number from 0 to ``most``."""
        value = self.number()
        if not 0 <= value <= most or value != int(value):
            raise DamagedError("with a count out of range")
        return int(value)

    def vector(self) -> Array:
        """Return the next three numbers."""
        return np.array([self.number(), self.number(), self.number()])

    def flag(self) -> bool:
        """Return the next field as yes (reversed, finite) or no (forward, infinite)."""
        token = self.take()
        if isinstance(token, bool):
            return token
        if token in _YES or token == 1:
            return True
        if token in _NO or token == 0:
            return False
        raise DamagedError("with a damaged direction")

    def bound(self) -> float | None:
        """Return one end of an interval, None where it has none."""
        return self.number() if self.flag() else None


def _number(token: Any) -> float | None:
    if isinstance(token, (bool, Pointer)):
        return None
    try:
        return float(token)
    except (TypeError, ValueError):
        return None


def records_of(entity: Any) -> list[Record | None]:
    """Return all records of an entity of the DXF library by their number; empty where it stores none.

    Raises
    ------
    DamagedError
        The data are no stored solid.
    """
    if entity.has_binary_data:
        return binary_records(bytes(entity.sab)) if entity.sab else []
    return text_records(entity.sat) if entity.sat else []


def text_records(lines: Sequence[str]) -> list[Record | None]:
    """Return the records of a solid stored as text lines."""
    try:
        version = int(lines[0].split()[0])
    except (IndexError, ValueError):
        raise DamagedError("its first line has no version") from None
    result: list[Record | None] = []
    record: list[Any] = []
    before = ""
    tokens = " ".join(lines[3 if version >= _THREE_LINES else 1 :]).split()
    for token in tokens:
        if token != "#" or before == "@1":
            if not record and token.startswith(_ENDS):
                break
            record.append(_typed(token))
        elif record:
            _place(result, record, version, len(tokens))
            record = []
        before = token
    return result


def _typed(token: str) -> Any:
    if token[0] == "$":
        try:
            return Pointer(token[1:])
        except ValueError:
            raise DamagedError("a pointer is damaged") from None
    return token


def _place(result: list[Record | None], tokens: list[Any], version: int, most: int) -> None:
    """Put a record at its number, where it states one, or behind the last."""
    first = tokens[0]
    if isinstance(first, str) and first[:1] == "-" and first[1:].isdecimal():
        number = int(first[1:])
        # a number larger than there are words is damage
        if number > most:
            raise DamagedError("the numbers of its records are damaged")
        result.extend([None] * (number - len(result) + 1))
        if len(tokens) > 1:
            result[number] = Record(str(tokens[1]), _own(tokens[2:], version))
    else:
        result.append(Record(str(first), _own(tokens[1:], version)))


def _own(tokens: list[Any], version: int) -> list[Any]:
    """Return the fields without those that all records share: attributes, then from version 7 identity and history.

    A transform has no history; some writers put more than one number before the history.
    """
    if not tokens or not isinstance(tokens[0], Pointer):
        return tokens
    for place in (2, 3):
        if len(tokens) > place and isinstance(tokens[place], Pointer):
            if not any(isinstance(t, Pointer) or _number(t) is None for t in tokens[1:place]):
                return tokens[place + 1 :]
            break
    identity = version >= _IDENTITY and len(tokens) > 1 and not isinstance(tokens[1], Pointer)
    return tokens[2:] if identity else tokens[1:]


def binary_records(data: bytes) -> list[Record | None]:
    """Return the records of a solid stored as bytes."""
    signature = next((s for s in _SIGNATURES if data.startswith(s)), None)
    if signature is None:
        raise DamagedError("its first bytes are not those of a stored solid")
    size = _SIGNATURES[signature]
    if len(data) < len(signature) + 4 * size:
        raise DamagedError("it ends too early")
    version = int.from_bytes(data[len(signature) : len(signature) + size], "little")
    scan = _scan(data, len(signature) + 4 * size, size)
    result: list[Record | None] = []
    name: list[str] = []
    record: list[Any] | None = None
    header = 6  # three texts and three numbers come before the first record
    for tag, value in scan:
        if header:
            header -= 1
        elif record is None:
            if tag not in (0x0D, 0x0E):
                raise DamagedError("a record has no name")
            name.append(value)
            if "-".join(name) in _ENDS:
                break
            if tag == 0x0D:
                record = []
        elif tag == 0x11:
            result.append(Record("-".join(name), _own(record, version)))
            name, record = [], None
        elif isinstance(value, tuple):
            record.extend(value)
        else:
            record.append(value)
    return result


def _scan(data: bytes, at: int, size: int) -> Iterator[tuple[int, Any]]:
    """Yield tags and values; whole numbers and pointers have ``size`` bytes."""
    whole = "<i" if size == 4 else "<q"
    try:
        while at < len(data):
            tag = data[at]
            at += 1
            if tag in (0x04, 0x0C, 0x15):
                value: Any = struct.unpack_from(whole, data, at)[0]
                if tag == 0x0C:
                    value = Pointer(value)
                at += size
            elif tag == 0x06:
                value = struct.unpack_from("<d", data, at)[0]
                at += 8
            elif tag == 0x17:
                value = struct.unpack_from("<q", data, at)[0]
                at += 8
            elif tag in (0x13, 0x14):
                value = struct.unpack_from("<3d", data, at)
                at += 24
            elif tag == 0x16:
                value = struct.unpack_from("<2d", data, at)
                at += 16
            elif tag in (0x0A, 0x0B):
                value = tag == 0x0A
            elif tag in (0x07, 0x0D, 0x0E, 0x08, 0x09, 0x12):
                form = "<H" if tag == 0x08 else "<I" if tag in (0x09, 0x12) else "<B"
                length = struct.unpack_from(form, data, at)[0]
                at += struct.calcsize(form)
                if at + length > len(data):
                    raise DamagedError("it ends too early")
                value = data[at : at + length].decode("utf-8", "replace")
                at += length
                if tag == 0x12:
                    value = tuple(value.split())  # a transform is stored as the text of its numbers
            elif tag in (0x0F, 0x10):
                value = "{" if tag == 0x0F else "}"
            elif tag == 0x11:
                value = None
            elif tag == 0x02:
                value = data[at]
                at += 1
            elif tag == 0x03:
                value = struct.unpack_from("<h", data, at)[0]
                at += 2
            elif tag == 0x05:
                value = struct.unpack_from("<f", data, at)[0]
                at += 4
            else:
                raise DamagedError(f"byte {at} has an unknown tag")
            yield tag, value
    except (struct.error, IndexError):
        raise DamagedError("it ends too early") from None
