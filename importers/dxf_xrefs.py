"""The other drawings that a DXF file attaches: found inside the project's folder only, and read once each."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from importers.drawing_units import insunits
from importers.dxf_open import OpenedDxf, open_dxf
from importers.endless import refuse_endless
from route3d.errors import UnreadableFileError
from route3d.model.building import Unread
from route3d.units import METRES_PER_INSUNITS

_DEPTH_MAX = 8
_FILES_MAX = 50
_USES_MAX = 500  # drawings that attach each other crosswise come to a great many


@dataclass(frozen=True, slots=True, eq=False)
class Attached:
    """A drawing that is attached, or the reason why it is not read."""

    opened: OpenedDxf | None
    path: Path | None = None
    unit_m: float = 1.0  # metres per unit of it
    unit: str = ""
    problem: str | None = None


class Externals:
    """All drawings that one file attaches, directly or through others.

    ``depends`` are their paths beside the file, with the sha256 of the content, "" where one could not be read.
    """

    def __init__(self, path: Path, name: str, unit_m: float, unit: str) -> None:
        self.path = path
        self.unit_m = unit_m
        self.unit = unit
        # messages call the file by its path in the project's folder
        parts = PurePosixPath(name).parts
        inside = bool(parts) and path.parts[-len(parts) :] == parts
        self._root = (path.parents[len(parts) - 1] if inside else path.parent).resolve()
        self._name = name
        self._found: dict[Path, Attached] = {}
        self._uses = 0
        self.depends: dict[str, str] = {}
        self.notes: list[str] = []
        self.rows: list[Unread] = []

    def attach(self, written: str, host: Path, unit_m: float, unit: str, chain: tuple[Path, ...]) -> Attached:
        """Return the drawing that ``host`` attaches under the path ``written``.

        ``unit_m`` and ``unit`` are those of the host: a file without a unit of its own is in these. ``chain`` are the
        files that are being read.
        """
        shown = " ".join(written.split())[:120]
        plain = written.strip().replace("\\", "/")
        if not plain or plain.startswith("/") or re.match(r"^[A-Za-z]:", plain) or "\0" in plain:
            return _not(f"an external reference with a path that is not relative ({shown!r}): give it a relative path")
        wanted = (host.parent / plain).resolve()
        if self._root not in wanted.parents:
            return _not(f"an external reference to a file outside of the project's folder ({shown!r}): copy it there")
        path = wanted
        if wanted.suffix.lower() != ".dxf":
            path = wanted.with_suffix(".dxf")
        if not path.is_file():
            self._depend(path, "")
            return _not(f"an external reference to a file that is not there ({shown!r}): put its DXF file there")
        if path in (file.resolve() for file in chain):
            return _not(f"an external reference to a file that attaches this one ({shown!r}): detach one of them")
        self._uses += 1
        if path in self._found and self._uses <= _USES_MAX:
            return self._found[path]
        if self._uses > _USES_MAX or len(chain) > _DEPTH_MAX or len(self._found) >= _FILES_MAX:
            return _not(
                f"one of more than {_FILES_MAX} external references, or deeper than {_DEPTH_MAX}: add it as a [[model]]"
            )
        self._found[path] = found = self._open(path, shown, unit_m, unit)
        if found.opened is not None and path != wanted:
            self.notes.append(f"the external reference {shown!r} was read from {path.name}")
        return found

    def _open(self, path: Path, shown: str, unit_m: float, unit: str) -> Attached:
        try:
            refuse_endless(path, str(path))
            opened = open_dxf(path, in_bulk=True)
        except UnreadableFileError as error:
            self._depend(path, "")
            words = str(error).removeprefix(f"{path}: ")
            return _not(f"an external reference ({shown!r}) that {words}")
        self._depend(path, opened.sha256)
        self.notes += [f"{path.name}: {note}" for note in opened.notes]
        self.rows += [
            Unread(self._name, "", "", row.kind, f"of the external reference {shown!r}, {row.reason}")
            for row in opened.unread_rows(self._name)
        ]
        code = insunits(opened.doc)
        if code in METRES_PER_INSUNITS:
            own, own_m = METRES_PER_INSUNITS[code]
            return Attached(opened, path, own_m, own)
        self.notes.append(f"{path.name} states no unit of length, and is read in that of the file that attaches it")
        return Attached(opened, path, unit_m, unit)

    def _depend(self, path: Path, digest: str) -> None:
        if not digest and path.is_file():
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        self.depends[os.path.relpath(path, self.path.parent.resolve())] = digest


def _not(problem: str) -> Attached:
    return Attached(None, problem=problem)
