"""What runs in a child process: the IFC library opens a file, says what is in it, and makes triangles on request.

A damaged file can crash the library or keep it busy for ever. In here it takes only this process with it; the parent
(``importers.ifc_process``) sees that, and goes on. Requests are lines of JSON on standard input, answers are frames on
standard output: two sizes, JSON, and plain arrays. Nothing is unpickled.
"""

from __future__ import annotations

import json
import os
import struct
import sys
from collections.abc import Iterable
from typing import Any, BinaryIO

import ifcopenshell
import ifcopenshell.geom
import ifcopenshell.util.unit
import numpy as np
from numpy.typing import NDArray

from importers import ifc_bounds, ifc_facts, ifc_lines

SIZES = struct.Struct("<II")  # bytes of JSON, bytes of arrays
# The first handles flat faces many times faster; what it cannot make goes to the second.
_KERNELS = ("hybrid-cgal-simple-opencascade", "opencascade")
_DAMAGE = (RuntimeError, ValueError, IndexError, TypeError, AttributeError, KeyError)
_RENEW = 100_000
_REASONS = 3  # of the library's complaints about one element, how many are passed on

Array = NDArray[np.float64]


class _Maker:
    """Makes the triangles of one element at a time, and notices what the library drops without an error."""

    def __init__(self, ifc: ifcopenshell.file, tolerance_m: float) -> None:
        self._ifc = ifc
        self._tolerance_m = tolerance_m
        self._kernels: dict[tuple[str, bool], tuple[Any, Any]] = {}
        self._since = 0  # triangles since the kernels are new
        self._faulty: dict[int, str] = {}  # entities that failed once: their users get cached leftovers, unsaid

    def _kernel(self, name: Any, whole: bool) -> tuple[Any, Any]:
        if (name, whole) not in self._kernels:
            settings: Any = ifcopenshell.geom.settings()  # type: ignore[no-untyped-call]
            settings.set("mesher-linear-deflection", self._tolerance_m)
            settings.set("no-normals", True)
            settings.set("apply-default-materials", False)
            settings.set("reorient-shells", True)
            settings.set("disable-opening-subtractions", whole)
            settings.set("disable-boolean-result", whole)
            log: Any = ifcopenshell.ifcopenshell_wrapper.logger()
            log.output_format(log.FMT_INMEMORY)
            log.verbosity(log.LOG_ERROR)
            kernel = ifcopenshell.geom.kernel(settings, self._ifc, geometry_library=name, logger=log)
            self._kernels[name, whole] = kernel, log
        return self._kernels[name, whole]

    def make(self, number: int, whole: bool) -> tuple[dict[str, Any], list[Any]]:
        """Return what is known about the shape of entity ``number``, and its corners, faces and parts.

        ``whole`` leaves openings and cuts away: quick, and never smaller than the thing itself.
        """
        product = self._ifc.by_id(number)
        if whole and ifc_bounds.has_unions(self._ifc, product):
            return {"id": number, "failed": "leaving cuts away would leave parts away"}, []
        best: tuple[dict[str, Any], list[Any]] | None = None
        failure = ""
        for name in _KERNELS:
            try:
                made, arrays = self._try(product, name, whole)
            except (*_DAMAGE, MemoryError) as error:
                failure = _short(str(error).partition(". Product")[0] or type(error).__name__)
                continue
            if best is None or len(made["lost"]) < len(best[0]["lost"]):
                best = made, arrays
            if not made["lost"]:
                break
        if best is not None and best[0]["faces"]:
            return best
        reason = "; ".join(best[0]["lost"]) if best is not None and best[0]["lost"] else failure
        return {"id": number, "failed": reason or "has no surface"}, []

    def _try(self, product: Any, name: str, whole: bool) -> tuple[dict[str, Any], list[Any]]:
        if self._since > _RENEW:
            self._kernels.clear()  # they keep all that they ever made
            self._since = 0
        kernel, log = self._kernel(name, whole)
        log.clear()
        shape = kernel.create_shape(product)
        complaints = [_complaint(message) for message in log.log_messages()]
        log.clear()
        corners = np.frombuffer(shape.geometry.verts_buffer, dtype=np.float64).reshape(-1, 3)
        faces = np.frombuffer(shape.geometry.faces_buffer, dtype=np.int32).reshape(-1, 3)
        self._since += len(faces)
        parts = np.frombuffer(shape.geometry.item_ids_buffer, dtype=np.int32)
        lost, uncut = self._sorted_out(product, complaints)
        gone = ifc_bounds.missing_items(product.Representation, set(parts.tolist()))
        if gone and not lost:
            lost = [f"{len(gone)} of its parts gave no surface ({', '.join(sorted(gone))})"]
        place = np.array(shape.transformation.matrix, dtype=np.float64).reshape(4, 4, order="F")
        placed = corners @ place[:3, :3].T + place[:3, 3]
        head: dict[str, Any] = {
            "id": product.id(),
            "corners": len(corners),
            "faces": len(faces),
            "lost": lost[:_REASONS],
        }
        if lost:
            head["box"] = self.box(product.id())
        if uncut:
            head["uncut"] = uncut[0]
        return head, [placed, faces, parts]

    def _sorted_out(self, product: Any, complaints: list[tuple[int, str]]) -> tuple[list[str], list[str]]:
        """Return what of the thing itself is lost, and which cuts were not made: those leave it larger, not smaller."""
        self._faulty.update((number, text) for number, text in complaints if number)
        lost = [text for number, text in complaints if not number]
        if not self._faulty:
            return lost, []
        own = ifc_bounds.own_entities(product.Representation)
        lost += [self._faulty[number] for number in sorted(own & self._faulty.keys())]
        uncut = [text for number, text in complaints if number and number not in own]
        return list(dict.fromkeys(lost)), uncut

    def box(self, number: int) -> list[list[float]] | None:
        """Return a box in metres that certainly holds what ``make`` failed on; None where none is sure."""
        try:
            box = ifc_bounds.point_box(self._ifc, self._ifc.by_id(number))
            scale = ifcopenshell.util.unit.calculate_unit_scale(self._ifc)
        except _DAMAGE:
            return None
        return None if box is None else [[v * scale for v in corner] for corner in box]


def _complaint(message: Any) -> tuple[int, str]:
    """Return the number of the entity that a message of the library is about, 0 where it names none, and its text."""
    number, _, rest = str(message.instance).partition("=")
    text = _short(f"{message.message} {rest.partition('(')[0]}")
    return (int(number[1:]) if number[1:].isdigit() else 0), text


def _short(text: str) -> str:
    return " ".join(text.split()).rstrip(".:")[:120]


def _send(out: BinaryIO, head: dict[str, Any], arrays: Iterable[Any] = ()) -> None:
    text = json.dumps(head).encode()
    blobs = [np.ascontiguousarray(array).tobytes() for array in arrays]
    out.write(SIZES.pack(len(text), sum(map(len, blobs))))
    out.write(text)
    for blob in blobs:
        out.write(blob)
    out.flush()


def _limit_memory(limit: int) -> None:
    try:
        import resource
    except ImportError:  # no such limit on this system
        return
    _, allowed = resource.getrlimit(resource.RLIMIT_AS)
    if allowed == resource.RLIM_INFINITY or limit < allowed:  # more than whoever started us allows is refused
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main() -> None:
    """Serve requests until standard input ends."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever the library prints must not get between the frames
    first = json.loads(sys.stdin.readline())
    _limit_memory(first["memory"])
    try:
        ifc = ifcopenshell.open(first["path"])
        if not isinstance(ifc, ifcopenshell.file):
            raise OSError("is of another kind")
        head: dict[str, Any] = {"entities": ifc_facts.count(ifc)}
        if first["facts"]:
            head |= ifc_facts.facts(ifc)
    except Exception as error:  # the library raises its own kinds of anything; the parent says it in one sentence
        _send(out, {"failed": _short(str(error) or type(error).__name__)})
        return
    _send(out, head)
    maker: _Maker | None = None
    for line in sys.stdin:
        request = json.loads(line)
        if maker is None:
            maker = _Maker(ifc, request["tolerance"])
        for number in request["ids"]:
            if request["want"] == "shape":
                made, arrays = maker.make(number, request["whole"])
                if "failed" in made:
                    made["box"] = maker.box(number)
                _send(out, made, arrays)
            else:
                _send(out, {"id": number, **ifc_lines.centre_line(ifc, number)})
    out.flush()
    os._exit(0)  # the library's own clean-up at exit is known to fail


if __name__ == "__main__":
    main()
