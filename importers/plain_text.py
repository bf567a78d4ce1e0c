"""Text from files, made writable: bytes that are no text in the file's encoding become ``\\xff`` and the like."""

from __future__ import annotations

import dataclasses
from typing import TypeVar

Record = TypeVar("Record")


def writable(text: str) -> str:
    r"""Return text without the code points that stand for undecodable bytes and that no file may hold.

    >>> writable("E-CAB\udcff")
    'E-CAB\\xff'
    """
    if text.isascii():
        return text
    escaped = "".join(f"\\x{ord(c) - 0xDC00:02x}" if 0xDC80 <= ord(c) <= 0xDCFF else c for c in text)
    return escaped.encode("utf-8", "backslashreplace").decode("utf-8")


def with_writable_text(record: Record) -> Record:
    """Return a record, and all records in it, with writable text; what needs no change is the same object."""
    if isinstance(record, str):
        return writable(record)  # type: ignore[return-value]
    if isinstance(record, tuple):
        parts = tuple(with_writable_text(part) for part in record)
        return record if all(a is b for a, b in zip(parts, record, strict=True)) else parts  # type: ignore[return-value]
    if not dataclasses.is_dataclass(record) or isinstance(record, type):
        return record
    changed = {}
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if field.init and isinstance(value, str | tuple):
            clean = with_writable_text(value)
            if clean is not value and clean != value:
                changed[field.name] = clean
    return dataclasses.replace(record, **changed) if changed else record
