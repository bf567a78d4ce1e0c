"""Which entities of a DXF text are faces, meshes and lines of the plainest kind, and their numbers as arrays.

A record is what starts with group code 0. Taken are records of which the DXF library would read the very same
numbers; where a group code, a value or an order is out of the ordinary, the record stays for the library.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from importers.dxf_tokens import Ints, Mask, Strings, Tokens

Array = NDArray[np.float64]

OTHER, FACE, POLYLINE, VERTEX, SEQEND, LINE, MESH, POINT, ARC, CIRCLE, LWPOLYLINE, INSERT, ATTRIB = range(13)
KINDS = {
    b"3DFACE": FACE, b"POLYLINE": POLYLINE, b"VERTEX": VERTEX, b"SEQEND": SEQEND, b"LINE": LINE, b"MESH": MESH,
    b"POINT": POINT, b"ARC": ARC, b"CIRCLE": CIRCLE, b"LWPOLYLINE": LWPOLYLINE, b"INSERT": INSERT,
    b"ATTRIB": ATTRIB,
}  # fmt: skip

# What the entities may state besides their geometry, by the type that the DXF reference gives to the group code.
_TEXTS = frozenset({5, 6, 8, 100, 330, 430})
_FLOATS = frozenset({48})
_INTEGERS = frozenset({60, 62, 67, 284, 370, 420, 440})
_POINTS = {
    FACE: frozenset({10, 11, 12, 13, 210}),
    POLYLINE: frozenset({10, 210}),
    VERTEX: frozenset({10, 210}),
    LINE: frozenset({10, 11, 210}),  # one with a thickness (39) is a wall, and stays for the library
    POINT: frozenset({10, 210}),
    ARC: frozenset({10, 210}),
    CIRCLE: frozenset({10, 210}),
    INSERT: frozenset({10, 210}),
}
_MORE_FLOATS = {
    POLYLINE: frozenset({39, 40, 41}),
    VERTEX: frozenset({40, 41, 42, 50}),
    POINT: frozenset({39, 50}),
    ARC: frozenset({39, 40, 50, 51}),
    CIRCLE: frozenset({39, 40}),
    LWPOLYLINE: frozenset({38, 39, 43}),
    INSERT: frozenset({41, 42, 43, 44, 45, 50}),
}
_MORE_INTEGERS = {
    FACE: frozenset({70}),
    POLYLINE: frozenset({66, 70, 71, 72, 73, 74, 75}),
    VERTEX: frozenset({70, 71, 72, 73, 74, 91}),
    MESH: frozenset({71, 72, 91, 92}),
    LWPOLYLINE: frozenset({70, 90}),
    INSERT: frozenset({66, 70, 71}),
}
_NAME = {INSERT: 2}  # the group code of a name besides the layer
# Kinds of which the library reads each subclass by its number: what stands where there.
_SUBCLASSES = {MESH: frozenset({71, 72, 91, 92}), LWPOLYLINE: frozenset({38, 39, 43, 70, 90})}
_BASE = frozenset({5, 330})
_NEEDED = {
    FACE: (10, 11, 12), POLYLINE: (70,), LINE: (10, 11), MESH: (92,), POINT: (10,), ARC: (10, 40, 50, 51),
    CIRCLE: (10, 40), INSERT: (2, 10),
}  # fmt: skip
FARTHEST = 1e12  # what is to be computed with is left to the library where it is larger
LONGEST = 48  # tokens of a record; longer ones are left to the library
_PATTERNS_MAX = 64  # orders of group codes among records of one length; rarer ones are left to the library
_BATCH = 200_000  # records at a time

_HEX = np.zeros(256, dtype=bool)
_HEX[np.frombuffer(b"\x000123456789ABCDEFabcdef", dtype=np.uint8)] = True


@dataclass(frozen=True, slots=True)
class _Pattern:
    """Where in a record of one order of group codes each value stands."""

    place: dict[int, int]  # group code -> place of its value; for points that of x
    points: tuple[tuple[int, int], ...]  # (group code of x, coordinates)
    floats: tuple[int, ...]  # places
    integers: tuple[int, ...]


@dataclass(slots=True, eq=False)
class Records:
    """What was read of m records of one kind, in their order; ``good`` tells which are beyond doubt."""

    good: Mask
    handle: Ints  # (m,) the token of the value, -1 where there is none
    layer: Ints
    owner: Ints
    name: Ints
    invisible: Mask
    points: dict[int, Array] = field(default_factory=dict)  # group code of x -> (m, 3), NaN where there is none
    integers: dict[int, Ints] = field(default_factory=dict)  # group code -> (m,), 0 where there is none
    floats: dict[int, Array] = field(default_factory=dict)  # group code -> (m,), NaN where there is none


def read_records(tokens: Tokens, kind: int, first: Ints, count: Ints) -> Records:
    """Return the contents of the records (m,) of one kind, given by their first token and their number of tokens."""
    size = len(first)
    points = {code: np.full((size, 3), np.nan) for code in _POINTS.get(kind, frozenset())}
    integers = {code: np.zeros(size, dtype=np.int64) for code in _MORE_INTEGERS.get(kind, frozenset())}
    floats = {code: np.full(size, np.nan) for code in _MORE_FLOATS.get(kind, frozenset())}
    handle, layer, owner, name = (np.full(size, -1, dtype=np.int64) for _ in range(4))
    out = Records(
        np.zeros(size, dtype=bool), handle, layer, owner, name, np.zeros(size, dtype=bool), points, integers, floats
    )
    for start in range(0, size, _BATCH):
        part = slice(start, start + _BATCH)
        for length in np.unique(count[part]).tolist():
            if length <= LONGEST:
                rows = np.flatnonzero(count[part] == length) + start
                _read_alike(tokens, kind, first, rows, length, out)
    return out


def _read_alike(tokens: Tokens, kind: int, first: Ints, rows: Ints, length: int, out: Records) -> None:
    """Read records of one length, order of group codes by order."""
    codes = tokens.code[first[rows, None] + np.arange(length)]
    for _ in range(_PATTERNS_MAX):
        if len(rows) == 0:
            return
        same = (codes == codes[0]).all(axis=1)
        pattern = _pattern(kind, tuple(codes[0].tolist()))
        if pattern is not None:
            _read_pattern(tokens, kind, first[rows[same]], rows[same], pattern, out)
        rows, codes = rows[~same], codes[~same]


def _read_pattern(tokens: Tokens, kind: int, first: Ints, rows: Ints, pattern: _Pattern, out: Records) -> None:
    good = np.ones(len(rows), dtype=bool)
    place = pattern.place
    for code, wanted in ((5, out.handle), (330, out.owner)):
        if code in place:
            wanted[rows] = first + place[code]
            good &= is_handle(*tokens.text(first + place[code], 16))
    for code, wanted in ((8, out.layer), (_NAME.get(kind, -1), out.name)):
        if code in place:
            wanted[rows] = first + place[code]
    for code, size in pattern.points:
        values = np.zeros((len(rows), 3))
        for axis in range(size):
            values[:, axis], plain = tokens.floats(first + place[code] + axis)
            good &= plain
        good &= (np.isfinite(values) if code != 210 else np.abs(values) < FARTHEST).all(axis=1)
        if code in out.points:
            out.points[code][rows] = values
    for at in pattern.floats:
        numbers, plain = tokens.floats(first + at)
        good &= plain & (np.abs(numbers) < FARTHEST)
        code = int(tokens.code[first[0] + at])
        if code in out.floats:
            out.floats[code][rows] = numbers
    for at in pattern.integers:
        whole, plain = tokens.integers(first + at)
        good &= plain
        code = int(tokens.code[first[0] + at])
        if code == 60:
            out.invisible[rows] = whole != 0
        elif code == 67:
            good &= whole == 0  # in model space; on paper the library decides on which layout
        elif code in out.integers:
            out.integers[code][rows] = whole
    out.good[rows] = good


def is_handle(text: Strings, whole: Mask) -> Mask:
    """Tell which texts are handles: hexadecimal numbers other than zero, of at most 16 digits."""
    letters = text.view(np.uint8).reshape(len(text), -1)
    return np.asarray(whole & _HEX[letters].all(axis=1) & ((letters != 48) & (letters != 0)).any(axis=1))


@cache
def _pattern(kind: int, codes: tuple[int, ...]) -> _Pattern | None:
    """Return where the values stand, or None for an order of group codes that only the library should judge."""
    place: dict[int, int] = {}
    points: list[tuple[int, int]] = []
    floats: list[int] = []
    integers: list[int] = []
    at = 1  # the first token is the name of the kind
    while at < len(codes):
        code = codes[at]
        if code in place and code not in (6, 100, 430):
            return None  # of two values the last one counts to one reader, the first one to another
        place[code] = at
        if code in _POINTS.get(kind, ()):
            # y must follow x; a z that follows belongs to them
            if codes[at + 1 : at + 2] != (code + 10,):
                return None
            size = 3 if codes[at + 2 : at + 3] == (code + 20,) else 2
            points.append((code, size))
            at += size
            continue
        if code in _FLOATS | _MORE_FLOATS.get(kind, frozenset()):
            floats.append(at)
        elif code in _INTEGERS | _MORE_INTEGERS.get(kind, frozenset()):
            integers.append(at)
        elif code not in _TEXTS and code != _NAME.get(kind):
            return None
        at += 1
    if any(code not in place for code in _NEEDED.get(kind, ())) or not _in_subclasses(kind, codes):
        return None
    return _Pattern(place, tuple(points), tuple(floats), tuple(integers))


def _in_subclasses(kind: int, codes: tuple[int, ...]) -> bool:
    """Tell whether every value stands in the subclass where it belongs."""
    markers = [at for at, code in enumerate(codes) if code == 100]
    if markers and any(code in _BASE for code in codes[markers[0] :]):
        return False
    if kind not in _SUBCLASSES:
        return True
    if len(markers) != 2:
        return False
    base, entity, own = codes[1 : markers[0]], codes[markers[0] + 1 : markers[1]], codes[markers[1] + 1 :]
    return (
        _BASE.issuperset(base)
        and not _BASE.union(_SUBCLASSES[kind]).intersection(entity)
        and (_SUBCLASSES[kind].issuperset(own))
    )


def next_code(tokens: Tokens, code: int, first: Ints, count: Ints) -> tuple[Ints, Mask]:
    """Return the first token of a group code in each record, and which records have one near their beginning."""
    places = np.append(np.flatnonzero(tokens.code == code), len(tokens.code))
    found = places[np.searchsorted(places, first)]
    return found, found < first + np.minimum(count, LONGEST)


def ranges(starts: Ints, sizes: Ints) -> Ints:
    """Return the numbers from each start on, as many as each size says, end to end."""
    ends = np.cumsum(sizes)
    return np.asarray(np.arange(int(sizes.sum())) + np.repeat(starts - (ends - sizes), sizes))


def stated_extrusion(stated: Array) -> Array:
    """Return extrusion directions (n, 3), upwards where none is stated (NaN)."""
    return np.where(np.isnan(stated), (0.0, 0.0, 1.0), stated)
