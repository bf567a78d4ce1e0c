"""The building as the page gets it: one block of bytes with a JSON header, see ``building_payload``."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.shapes import box
from route3d.model.element import MARK_ROLES, ROLES, Element
from route3d.model.job import Job

Floats = NDArray[np.float64]

MARK_M = 0.03  # half the edge of the cube that stands for a symbol without surface
_STEPS = 65535  # of a quantised coordinate

# A tetrahedron of circumradius 1 stands for a scanned point: four triangles, and it is seen from every side.
_TETRA = np.array([[1.0, 1.0, 1.0], [1.0, -1.0, -1.0], [-1.0, 1.0, -1.0], [-1.0, -1.0, 1.0]]) / np.sqrt(3.0)
_TETRA_FACES = _TETRA[[[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]]]


def building_payload(
    job: Job, origin_m: Floats, *, quantised: bool = False, shown: Callable[[str], str] = str
) -> bytes:
    """Return the building as bytes, little-endian.

    A uint32 says how long the JSON header behind it is; arrays follow, each at an offset from the header's end that is
    a multiple of 8: ``positions`` (m, 3), ``indices`` (n, 3) and ``element_starts`` (e + 1,), the triangles of element
    k being ``element_starts[k]:element_starts[k + 1]``. Elements are sorted by role; role "ignore" is left out.

    Parameters
    ----------
    origin_m : (3,) float
        Taken off in double precision before anything is made single.
    quantised : bool
        Positions as uint16 steps of ``scale_m`` from ``low_m``: half the size, for pictures only.
    shown : function, optional
        Takes folders of this machine out of ids and file names.
    """
    ordered = sorted((e for e in job.elements if e.role != "ignore"), key=lambda e: ROLES.index(e.role))
    symbols = [e.role in MARK_ROLES and _has_no_surface(e.triangles_m) for e in ordered]
    meshes = [_shown(e, symbol) for e, symbol in zip(ordered, symbols, strict=True)]
    counts = np.array([len(mesh) for mesh in meshes], dtype=np.int64)
    corners = np.concatenate(meshes).reshape(-1, 3) if meshes else np.empty((0, 3))
    corners = corners - origin_m
    low = corners.min(axis=0) if len(corners) else np.zeros(3)
    high = corners.max(axis=0) if len(corners) else np.zeros(3)

    header: dict[str, Any] = {
        "format": 1,
        "origin_m": origin_m.tolist(),
        "low_m": low.tolist(),
        "high_m": high.tolist(),
    }
    if quantised:
        scale = np.maximum((high - low) / _STEPS, 1e-9)
        header["scale_m"] = scale.tolist()
        positions: NDArray[Any] = np.round((corners - low) / scale).astype("<u2")
    else:
        # adding zero makes -0.0 plain 0.0, which has other bits
        positions = (corners + 0.0).astype("<f4")
    shared, indices, starts = _shared_corners(positions, counts)
    arrays = {"positions": shared, "indices": indices, "element_starts": starts}
    header["elements"] = [_about(e, symbol, shown) for e, symbol in zip(ordered, symbols, strict=True)]
    return _packed(header, arrays)


def _has_no_surface(triangles: Floats) -> bool:
    # most things show with their first triangle that they have one
    for some in (triangles[:1], triangles):
        across = np.cross(some[:, 1] - some[:, 0], some[:, 2] - some[:, 0])
        if (np.abs(across) > 1e-14).any():
            return False
    return True


def _shown(element: Element, symbol: bool) -> Floats:
    """Return the triangles (n, 3, 3) to draw: what has no surface of its own gets one that can be seen."""
    if symbol and len(element.triangles_m):
        points, faces = box((MARK_M,) * 3, element.centre_m.tolist())
        return np.asarray(points[faces])
    if element.thickness_m:
        balls = element.triangles_m[:, None, :1, :] + element.thickness_m * _TETRA_FACES
        return np.asarray(balls.reshape(-1, 3, 3))
    return element.triangles_m


def _shared_corners(
    corners: NDArray[Any], counts: NDArray[np.int64]
) -> tuple[NDArray[Any], NDArray[np.uint32], NDArray[np.uint32]]:
    """Return positions, indices and starts with equal corners of one element shared, and triangles of none left out.

    Corners are sorted by a hash of their bits below the number of their element. Where two differ and have one hash,
    which is rare, each gets a place of its own: nothing is ever moved.
    """
    bits = corners.view(f"<u{corners.dtype.itemsize}")
    key = _hashed(bits)
    room = np.uint64(max(len(counts).bit_length(), 1))
    key >>= room
    key |= np.repeat(np.arange(len(counts), dtype=np.uint64) << (np.uint64(64) - room), 3 * counts)
    order = np.argsort(key)
    key = key[order]
    first = np.ones(len(key), dtype=bool)
    np.not_equal(key[1:], key[:-1], out=first[1:])
    place = np.empty(len(key), dtype=np.uint32)
    place[order] = np.cumsum(first, dtype=np.uint32) - np.uint32(1)
    shared = corners[order[first]]
    odd = np.flatnonzero((np.take(shared, place, axis=0).view(bits.dtype) != bits).any(axis=1))
    if len(odd):
        place[odd] = len(shared) + np.arange(len(odd))
        shared = np.concatenate([shared, corners[odd]])
    indices = place.reshape(-1, 3)
    has_area = (indices[:, 0] != indices[:, 1]) & (indices[:, 1] != indices[:, 2]) & (indices[:, 2] != indices[:, 0])
    kept = np.concatenate([[0], np.cumsum(has_area)])
    ends = np.concatenate([[0], np.cumsum(counts)])
    return shared, indices[has_area].astype("<u4"), kept[ends].astype("<u4")


def _hashed(bits: NDArray[Any]) -> NDArray[np.uint64]:
    """Return a hash of each row (n, 3): plain mixing by large odd numbers, whose overflow is meant."""
    mixed = bits[:, 0].astype(np.uint64)
    mixed *= np.uint64(0x9E3779B97F4A7C15)
    other = bits[:, 1].astype(np.uint64)
    other *= np.uint64(0xC2B2AE3D27D4EB4F)
    third = bits[:, 2].astype(np.uint64)
    third <<= np.uint64(17)
    other += third
    other *= np.uint64(0xD6E8FEB86659FD93)
    mixed ^= other
    mixed ^= mixed >> np.uint64(29)
    return mixed


def _about(element: Element, symbol: bool, shown: Callable[[str], str]) -> dict[str, Any]:
    about: dict[str, Any] = {
        "id": shown(element.element_id),
        "role": element.role,
        "layer": element.layer,
        "file": shown(element.file),
        "handle": element.handle,
        "name": element.name,
        "storey": element.storey,
        "guid": element.guid,
    }
    if symbol:
        about["symbol"] = True
    return about


def _packed(header: dict[str, Any], arrays: dict[str, NDArray[Any]]) -> bytes:
    blocks: list[bytes] = []
    offset = 0
    places = {}
    for name, array in arrays.items():
        raw = np.ascontiguousarray(array).tobytes()
        places[name] = {"offset": offset, "type": array.dtype.str[1:], "shape": list(array.shape)}
        blocks += [raw, bytes(-len(raw) % 8)]
        offset += len(raw) + -len(raw) % 8
    text = json.dumps({**header, "arrays": places}, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()
    text += b" " * (-(4 + len(text)) % 8)
    return b"".join([np.array(len(text), dtype="<u4").tobytes(), text, *blocks])


def unpacked(payload: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Return header and arrays of what ``building_payload`` gave."""
    length = int(np.frombuffer(payload[:4], dtype="<u4")[0])
    header = json.loads(payload[4 : 4 + length])
    arrays = {}
    for name, place in header["arrays"].items():
        count = int(np.prod(place["shape"]))
        flat = np.frombuffer(payload, dtype="<" + place["type"], count=count, offset=4 + length + place["offset"])
        arrays[name] = flat.reshape(place["shape"])
    return header, arrays
