"""Edits of runs written back into the project file: comments and formatting of everything else stay.

Lengths are written in the file's own unit, to a hundredth of a millimetre or the next finer step of that unit; a
number that means what it meant before keeps its text. The file appears whole or not at all, and only if it still is
what was read.
"""

from __future__ import annotations

import hashlib
import math
import os
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from numpy.typing import NDArray
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Table

from importers.project_file import nearest, parse_project
from route3d.errors import InputError, ProjectKeyError
from route3d.model.run import ENDS
from route3d.units import METRES_PER_UNIT

# Digits behind the point with which a length keeps a hundredth of a millimetre, by unit.
_DIGITS = {"mm": 2, "cm": 3, "m": 5, "in": 4, "ft": 5}
_SAME_M = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class RunEdit:
    """What changes of one run, in metres in the common frame; what is None stays as it is."""

    run_id: str
    corners_m: NDArray[np.float64] | None = None  # (n, 3)
    straps_at_m: tuple[float, ...] | None = None  # all that the run itself declares, not those drawn near it
    supports_at_m: tuple[float, ...] | None = None
    start: str | None = None  # one of route3d.model.run.ENDS
    end: str | None = None
    cable_id: str | None = None
    plates_m: tuple[tuple[float, float], ...] | None = None  # of a run that stands in the project file
    guards_m: tuple[tuple[float, float], ...] | None = None
    added: bool = False  # a new run: needs corners_m and cable_id
    deleted: bool = False


def fingerprint(path: Path) -> str:
    """Return the sha256 of a file's bytes, by which an edit tells that it was changed in the meantime.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    return hashlib.sha256(_bytes(path)).hexdigest()


def edit_project(path: Path, edits: Sequence[RunEdit], read_sha256: str) -> str:
    """Write edits of runs that stand in a project file, and return its new fingerprint.

    Raises
    ------
    InputError
        The file is no longer what was read (``read_sha256``), an edit makes no sense, or the file cannot be written;
        nothing is written then.
    """
    return write_project(path, read_sha256, lambda text: edited_text(text, path.name, edits))


def write_project(path: Path, read_sha256: str, change: Callable[[str], str]) -> str:
    """Put ``change(text)`` in the place of the text of a project file; errors as ``edit_project``."""
    target = path.resolve()  # a link stays a link
    raw = _bytes(target)
    _unchanged(path, raw, read_sha256)
    mark = b"\xef\xbb\xbf" if raw.startswith(b"\xef\xbb\xbf") else b""
    try:
        text = raw.removeprefix(mark).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(path, "cannot be read as UTF-8 text; save it as UTF-8") from error
    windows = "\r\n" in text and text.count("\n") == text.count("\r\n")
    new = change(text.replace("\r\n", "\n") if windows else text)
    parse_project(new, path.name)  # what the program could not read again is never written
    content = mark + (new.replace("\n", "\r\n") if windows else new).encode("utf-8")
    replace_whole(target, content, before=lambda: _unchanged(path, _bytes(target), read_sha256))
    return hashlib.sha256(content).hexdigest()


def edited_text(text: str, file: str, edits: Sequence[RunEdit]) -> str:
    """Return the text of a project file with edits of its ``[[run]]`` tables; ``file`` is how messages call it.

    Raises
    ------
    InputError
        An edit makes no sense for this file.
    """
    document = _parsed(text, file)
    before = tomllib.loads(text)
    unit = str(before.get("units", "mm"))
    cables = list(before.get("cable", {}))
    seen: set[str] = set()
    for edit in edits:
        if edit.run_id in seen:
            raise ProjectKeyError(file, f"the run {edit.run_id!r} is edited twice; send one edit per run", "run")
        seen.add(edit.run_id)
        refuse_senseless(edit, file, cables)
        if edit.added:
            _add(document, edit, file, unit)
            continue
        tables, number = _found(document, edit.run_id, file)
        if edit.deleted:
            _delete(document, tables, number, edit.run_id, before, file)
        else:
            _change(tables[number], edit, unit)
    new = tomlkit.dumps(document)
    _only_runs_changed(before, tomllib.loads(new), seen, file)
    return new


def written_length(length_m: float, unit: str) -> float | int:
    """Return a length in a unit of the project file, without digits that mean nothing.

    >>> written_length(0.2743, "mm"), written_length(1.8288, "ft"), written_length(2.9, "mm")
    (274.3, 6, 2900)
    """
    value = round(length_m / METRES_PER_UNIT[unit], _DIGITS[unit])
    return int(value) if value == int(value) else value


def replace_whole(path: Path, content: bytes, before: Callable[[], None] = lambda: None) -> None:
    """Put ``content`` in the place of a file (with its permissions) or at a new place, whole or not at all.

    ``before`` is called right before the file changes; what it raises leaves everything as it was.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    try:
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o644
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).chmod(mode)
            before()
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(path.name, f"cannot be written ({error.strerror}); mend that and save again") from error


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(path.name, f"cannot be read ({error.strerror})") from error


def _unchanged(path: Path, raw: bytes, read_sha256: str) -> None:
    if hashlib.sha256(raw).hexdigest() != read_sha256:
        raise InputError(path.name, "was changed on disk since it was read; read it again, then edit")


def _parsed(text: str, file: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise ProjectKeyError(file, f"is not a TOML file: {error}") from error


def refuse_senseless(edit: RunEdit, file: str, cables: Sequence[str]) -> None:
    """Refuse an edit with impossible numbers, ends or cables.

    Raises
    ------
    ProjectKeyError
        With the name of the run and of what is wrong.
    """
    where = f"run {edit.run_id!r}"
    if not edit.run_id.strip() or any(ord(c) < 32 for c in edit.run_id):
        raise ProjectKeyError(file, "an id is one line of text", "run id")
    if edit.corners_m is not None:
        corners = np.asarray(edit.corners_m, dtype=np.float64)
        if corners.ndim != 2 or corners.shape[1:] != (3,) or len(corners) < 2 or not np.isfinite(corners).all():
            raise ProjectKeyError(file, "a path has two or more points of three finite numbers", where)
        if float(np.abs(corners - corners[0]).max()) < 1e-6:
            raise ProjectKeyError(file, "all points of the path are the same point", where)
    for key, places in (("straps", edit.straps_at_m), ("supports", edit.supports_at_m)):
        if any(not math.isfinite(at_m) or at_m < -_SAME_M for at_m in places or ()):
            raise ProjectKeyError(file, "a distance along the run is a number from 0 on", f"{where} {key}")
    for key, stretches in (("plates", edit.plates_m), ("guards", edit.guards_m)):
        if any(not math.isfinite(b) or not -_SAME_M <= a < b for a, b in stretches or ()):
            raise ProjectKeyError(file, "a stretch goes from a distance to a larger one", f"{where} {key}")
    for kind in (edit.start, edit.end):
        if kind is not None and kind not in ENDS:
            raise ProjectKeyError(file, f"{kind!r} is not one of {', '.join(ENDS)}.{nearest(kind, ENDS)}", where)
    if edit.cable_id is not None and edit.cable_id not in cables:
        raise ProjectKeyError(
            file, f"cable {edit.cable_id!r} is not defined.{nearest(edit.cable_id, cables)}", f"{where} cable"
        )
    if edit.added and (edit.corners_m is None or edit.cable_id is None):
        raise ProjectKeyError(file, "a new run needs its points and a cable", where)
    if edit.added and edit.deleted:
        raise ProjectKeyError(file, "a run is either added or deleted", where)


def _found(document: tomlkit.TOMLDocument, run_id: str, file: str) -> tuple[Any, int]:
    tables: Any = document.get("run", [])
    for number, table in enumerate(tables):
        if str(table.get("id")) == run_id:
            return tables, number
    ids = [str(table.get("id")) for table in tables]
    raise ProjectKeyError(file, f"has no [[run]] {run_id!r}.{nearest(run_id, ids)}", "run")


def _change(table: Any, edit: RunEdit, unit: str) -> None:
    for key, text in (("cable", edit.cable_id), ("start", edit.start), ("end", edit.end)):
        if text is not None and table.get(key) != text:
            table[key] = text
    if edit.corners_m is not None:
        for key in ("from_point", "to_point"):  # it has a route now
            table.pop(key, None)
        _set_points(table, np.asarray(edit.corners_m, dtype=np.float64), unit)
    for key, places in (("straps", edit.straps_at_m), ("supports", edit.supports_at_m)):
        if places is not None:
            _set_distances(table, key, sorted(max(at_m, 0.0) for at_m in places), unit)
    for key, stretches in (("plates", edit.plates_m), ("guards", edit.guards_m)):
        if stretches is not None:
            _set_stretches(table, key, stretches, unit)


def _set_points(table: Any, corners_m: NDArray[np.float64], unit: str) -> None:
    """Change the numbers of points that moved; where points were added or taken out, write the list anew."""
    old: Any = table.get("path")
    if isinstance(old, Array) and len(old) == len(corners_m):
        for row, point in zip(old, corners_m.tolist(), strict=True):
            for axis, value in enumerate(point):
                if not _means(row[axis], value, unit):
                    row[axis] = written_length(value, unit)
        return
    known = {tuple(round(float(v) * METRES_PER_UNIT[unit], 9) for v in row): list(row) for row in old or ()}
    rows = [
        known.get(tuple(round(v, 9) for v in point), [written_length(v, unit) for v in point])
        for point in corners_m.tolist()
    ]
    table["path"] = _array(rows, multiline=isinstance(old, Array) and "\n" in old.as_string())


def _set_distances(table: Any, key: str, places_m: Sequence[float], unit: str) -> None:
    old: Any = table.get(key)
    kept = [float(v) * METRES_PER_UNIT[unit] for v in old or ()]
    if len(kept) == len(places_m) and all(abs(a - b) <= _SAME_M for a, b in zip(sorted(kept), places_m, strict=True)):
        return
    if not places_m:
        if old is not None:
            table.remove(key)
        return
    numbers = [next((v for v in old or () if _means(v, at_m, unit)), written_length(at_m, unit)) for at_m in places_m]
    table[key] = _array(numbers, multiline=isinstance(old, Array) and "\n" in old.as_string())


def _set_stretches(table: Any, key: str, stretches_m: Sequence[tuple[float, float]], unit: str) -> None:
    if stretches_m:
        table[key] = _array([[written_length(v, unit) for v in stretch] for stretch in stretches_m], multiline=False)
    elif key in table:
        table.remove(key)


def _means(value: Any, length_m: float, unit: str) -> bool:
    return abs(float(value) * METRES_PER_UNIT[unit] - length_m) <= _SAME_M


def _array(rows: Iterable[Any], *, multiline: bool) -> Array:
    array = tomlkit.array()
    for row in rows:
        if isinstance(row, list):
            inner = tomlkit.array()
            inner.extend([_plain(v) for v in row])
            array.append(inner)
        else:
            array.append(_plain(row))
    return array.multiline(True) if multiline else array


def _plain(value: Any) -> Any:
    """Return a number without the spaces and comments of where it stood."""
    return value.unwrap() if hasattr(value, "unwrap") else value


def _add(document: tomlkit.TOMLDocument, edit: RunEdit, file: str, unit: str) -> None:
    tables: Any = document.get("run", [])
    if any(str(table.get("id")) == edit.run_id for table in tables):
        raise ProjectKeyError(file, f"there is a run {edit.run_id!r} already; give the new one its own id", "run")
    table = tomlkit.table()
    table["id"] = edit.run_id
    assert edit.corners_m is not None
    table["cable"] = edit.cable_id
    table["path"] = tomlkit.array()
    _change(table, edit, unit)
    if "run" in document and not isinstance(document["run"], AoT):
        raise ProjectKeyError(file, "its runs are written as one list; write each as [[run]]", "run")
    if "run" not in document:
        document["run"] = tomlkit.aot()
    _lines_before(document, table)
    document["run"].append(table)


def _lines_before(document: tomlkit.TOMLDocument, table: Table) -> None:
    """Keep one empty line between what stands before a new table and the table."""
    table.trivia.indent = "" if tomlkit.dumps(document).endswith(("\n\n", "")) and not len(document) else "\n"


def _delete(
    document: tomlkit.TOMLDocument, tables: Any, number: int, run_id: str, before: dict[str, Any], file: str
) -> None:
    for n, entry in enumerate(before.get("firestop", ()), start=1):
        if entry.get("run") == run_id:
            raise ProjectKeyError(
                file, f"names the run {run_id!r}, which is to be deleted; delete this entry first", f"firestop[{n}]"
            )
    if len(tables) == 1:
        document.remove("run")
    else:
        del tables[number]


def _only_runs_changed(before: dict[str, Any], after: dict[str, Any], edited: set[str], file: str) -> None:
    """Refuse to write a text in which anything else than the edited runs would mean something else than before."""

    def rest(tables: dict[str, Any]) -> tuple[dict[str, Any], list[Any]]:
        others = {key: value for key, value in tables.items() if key != "run"}
        return others, [run for run in tables.get("run", ()) if run.get("id") not in edited]

    if rest(before) != rest(after):
        raise ProjectKeyError(file, "cannot be edited without changing more than the runs; edit it by hand", "run")
