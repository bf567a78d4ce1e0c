"""The text of a DXF file as arrays of group codes and of the places of their values, many million lines a second.

Only text of which nobody can doubt what it says is taken: where the DXF library might read it otherwise, there is no
answer, and the caller leaves the file to the library.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Strings = NDArray[np.bytes_]

_NEWLINE, _RETURN, _BLANK, _TAB = 10, 13, 32, 9
_CODE_DIGITS = 6  # widest line of a group code that is looked at, blanks counted
_CODE_MAX = 1071  # largest group code of the DXF reference
_NUMBER = np.zeros(256, dtype=bool)  # bytes that a plain number is written with
_NUMBER[np.frombuffer(b"0123456789+-.eE \t", dtype=np.uint8)] = True
_INTEGER = np.zeros(256, dtype=bool)
_INTEGER[np.frombuffer(b"0123456789- \t", dtype=np.uint8)] = True
WIDEST = 40  # bytes of a value that is read here; longer ones are left to the library
_STEP = 1 << 23


@dataclass(frozen=True, slots=True, eq=False)
class Tokens:
    """Every group code with its value, up to the end mark of the file: n of them."""

    raw: Bytes  # the file
    code: NDArray[np.int16]  # (n,)
    start: Ints  # (n,) first byte of the value
    length: NDArray[np.int32]  # (n,) bytes of the value, line ends not counted

    def after(self, number: Ints) -> Ints:
        """Return the first byte (k,) of the line that follows the value of each token."""
        end = self.start[number] + self.length[number]
        return np.asarray(
            np.minimum(end + 1 + (self.raw[np.minimum(end, len(self.raw) - 1)] == _RETURN), len(self.raw))
        )

    def text(self, number: Ints, width: int | None = None) -> tuple[Strings, Mask]:
        """Return the values (k,) of some tokens, and which of them are whole: no longer than the column is wide."""
        length = self.length[number]
        if width is None:
            width = int(min(max(length.max(initial=1), 1), WIDEST))
        start = self.start[number]
        whole = np.asarray(length <= width)
        inner = start + width <= len(self.raw)
        letters = np.zeros((len(number), width), dtype=np.uint8)
        if inner.any():
            letters[inner] = np.lib.stride_tricks.sliding_window_view(self.raw, width)[start[inner]]
        for row in np.flatnonzero(~inner).tolist():  # the last few of the file
            rest = self.raw[start[row] :]
            letters[row, : len(rest)] = rest
        letters[np.arange(width) >= np.where(whole, length, 0)[:, None]] = 0
        return letters.view(f"S{width}")[:, 0], whole

    def floats(self, number: Ints) -> tuple[NDArray[np.float64], Mask]:
        """Return the values (k,) as the doubles that ``float`` makes of them, and which of them are plain numbers."""
        values, good = self._numbers(number, _NUMBER, np.float64)
        return np.asarray(values, dtype=np.float64), good

    def integers(self, number: Ints) -> tuple[Ints, Mask]:
        """Return the values (k,) as integers, and which of them are plain integers."""
        values, good = self._numbers(number, _INTEGER, np.int64)
        return np.asarray(values, dtype=np.int64), good

    def _numbers(self, number: Ints, letters: Mask, kind: type[Any]) -> tuple[NDArray[Any], Mask]:
        text, good = self.text(number)
        if len(text) == 0:
            return np.zeros(0, dtype=kind), good
        table = letters.copy()
        table[0] = True  # the filling behind a shorter value
        good &= table[text.view(np.uint8).reshape(len(text), -1)].all(axis=1)
        if not good.all():
            text = np.where(good, text, b"0")
        try:
            return text.astype(kind), good
        except (ValueError, OverflowError):
            pass
        values: NDArray[Any] = np.zeros(len(text), dtype=kind)
        for k, word in enumerate(text.tolist()):
            try:
                values[k] = float(word) if kind is np.float64 else int(word)
            except (ValueError, OverflowError):
                good[k] = False
        return values, good


def tokenise(data: bytes) -> Tokens | None:
    """Return the tokens of a text, or None where a line is not as every reader would read it."""
    if b"\0" in data or not data:
        return None
    raw = np.frombuffer(data, dtype=np.uint8)
    codes: list[NDArray[np.int16]] = []
    starts: list[Ints] = []
    lengths: list[NDArray[np.int32]] = []
    at, step = 0, _STEP
    while at < len(raw):
        end = min(at + step, len(raw))
        breaks = np.flatnonzero(raw[at:end] == _NEWLINE) + at
        if end == len(raw) and raw[-1] != _NEWLINE:
            breaks = np.append(breaks, end)
        pairs = len(breaks) // 2
        if pairs == 0:
            if end == len(raw):
                return None  # it ends without its end mark
            step *= 2  # a value longer than a step
            continue
        breaks = breaks[: 2 * pairs]
        code, start, length, good = _pairs(raw, at, breaks)
        last = _end_mark(raw, code, start, length)
        if not good[: last + 1].all():
            return None
        codes.append(code[: last + 1])
        starts.append(start[: last + 1])
        lengths.append(length[: last + 1])
        if last + 1 < pairs or (code[-1] == 0 and _is_end(raw, start[-1], length[-1])):
            return Tokens(raw, np.concatenate(codes), np.concatenate(starts), np.concatenate(lengths))
        at = int(breaks[-1]) + 1
    return None


def _pairs(raw: Bytes, at: int, breaks: Ints) -> tuple[NDArray[np.int16], Ints, NDArray[np.int32], Mask]:
    """Return code, start and length of the value for lines ending at ``breaks``, and which pairs are beyond doubt."""
    first = np.empty(len(breaks), dtype=np.int64)
    first[0] = at
    first[1:] = breaks[:-1] + 1
    end = breaks - ((breaks > first) & (raw[np.maximum(breaks - 1, 0)] == _RETURN))
    # a return that is no part of a line end is a line end to other readers
    plain = np.count_nonzero(raw[at : int(breaks[-1]) + 1] == _RETURN) == int((breaks - end).sum())
    length = end - first
    code_end, width = end[0::2], length[0::2]
    good = (width <= _CODE_DIGITS) & (width > 0) & plain
    code = np.zeros(len(width), dtype=np.int64)
    blank_seen = np.zeros(len(width), dtype=bool)
    for place in range(int(min(width.max(initial=0), _CODE_DIGITS))):
        inside = place < width
        letter = raw[np.maximum(code_end - 1 - place, 0)]
        digit = inside & (letter >= 48) & (letter <= 57)
        blank = inside & ((letter == _BLANK) | (letter == _TAB))
        good &= ~inside | (digit & ~blank_seen) | (blank if place else False)
        blank_seen |= blank
        code += np.where(digit, letter.astype(np.int64) - 48, 0) * 10**place
    good &= code <= _CODE_MAX
    return code.astype(np.int16), first[1::2], length[1::2].astype(np.int32), good


def _end_mark(raw: Bytes, code: NDArray[np.int16], start: Ints, length: NDArray[np.int32]) -> int:
    """Return the place of the first end mark, or of the last token where there is none."""
    for place in np.flatnonzero((code == 0) & (length == 3)).tolist():
        if _is_end(raw, start[place], length[place]):
            return int(place)
    return len(code) - 1


def _is_end(raw: Bytes, start: np.int64, length: np.int32) -> bool:
    return length == 3 and raw[start : start + 3].tobytes() == b"EOF"
