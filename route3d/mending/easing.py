"""Detours at right angles made shallow: off the line and back on slants, no further off than what is there asks."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from route3d.mending.change import tidy
from route3d.mending.site import SPARE_M, Site, rounded

Floats = NDArray[np.float64]

_OFF = (0.04, 0.08, 0.15, 0.3, 0.6, 1.0)  # shares of how far a detour is off
_SHIFTS = (0.25, 0.5, 0.75)  # where the flat part is, between the places of the two corners before and behind it
_FLAT = (0.0, 0.35, 0.7)  # how long it is, as a share of what it was
_SLANTS_RAD = (math.radians(30.0), math.radians(45.0))
_BATCH = 12
_LOOKS_MAX = 72  # for each detour
_SQUARE = 1e-3


def eased(site: Site, line: Floats) -> Floats:
    """Return a line with its detours made shallow, as far as that costs less and lacks nothing that can be measured."""
    k = 1
    while k < len(line) - 4:
        if _is_detour(line, k):
            line = _better(site, line, k)
        k += 1
    return line


def _better(site: Site, line: Floats, k: int) -> Floats:
    value = site.cost(line)
    options = []
    for candidate in _shallow(line, k, site.bend_m + SPARE_M):
        new = rounded(tidy(candidate), site.corners_m)
        worth = site.cost(new)
        if worth < value:
            options.append((worth, new))
    options.sort(key=lambda option: option[0])
    for first in range(0, min(len(options), _LOOKS_MAX), _BATCH):
        some = [new for _, new in options[first : first + _BATCH]]
        for new, look in zip(some, site.looks(some), strict=True):
            if look is not None and not look.lack_m:
                return new
    return line


def _is_detour(line: Floats, k: int) -> bool:
    """Tell whether four corners from ``k`` on lead off a straight line at right angles, along it and back."""
    legs = np.diff(line[k - 1 : k + 5], axis=0)
    size = np.sqrt((legs**2).sum(axis=1))
    before, off, along, back, behind = legs / size[:, None]
    return bool(
        abs(float(before @ off)) < _SQUARE
        and float(before @ along) > 1.0 - _SQUARE**2
        and float(before @ behind) > 1.0 - _SQUARE**2
        and float(np.abs(legs[1] + legs[3]).max()) < _SQUARE
        and float(off @ back) < 0.0
    )


def _shallow(line: Floats, k: int, bend_m: float) -> Iterator[Floats]:
    step = line[k + 1] - line[k]
    along = line[k + 2] - line[k + 1]
    flat = float(np.sqrt(along @ along))
    way = along / flat
    room_before = float((line[k] - line[k - 1]) @ way)
    room_behind = float((line[k + 4] - line[k + 3]) @ way)
    for share in _OFF:
        off = share * float(np.sqrt(step @ step))
        # two bends of this turn offset the line by just so much
        widest = math.acos(max(1.0 - off / (2.0 * bend_m), 0.0))
        for slant in (widest, *(angle for angle in _SLANTS_RAD if angle < widest)):
            setback = bend_m * math.tan(slant / 2.0)
            run = off / math.tan(slant)
            for length in (max(flat * part, 2.0 * setback) for part in _FLAT):
                for place in _SHIFTS:
                    begin = (flat - length) * place
                    first, last = begin - run, begin + length + run
                    if room_before + first <= 2.0 * setback or room_behind + flat - last <= 2.0 * setback:
                        continue
                    up = share * step
                    yield np.concatenate(
                        [
                            line[:k],
                            np.array(
                                [
                                    line[k] + way * first,
                                    line[k] + way * begin + up,
                                    line[k] + way * (begin + length) + up,
                                    line[k] + way * last,
                                ]
                            ),
                            line[k + 4 :],
                        ]
                    )
