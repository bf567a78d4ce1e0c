"""A file in, model objects out: one module per file format."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from importers import dxf
from route3d.errors import UnreadableFileError
from route3d.model.building import Drawing

__all__ = ["READERS", "ReadModel", "read_model"]


class ReadModel(Protocol):
    """What every reader of building geometry takes and gives; see :func:`importers.dxf.read_model`."""

    def __call__(
        self,
        path: Path,
        *,
        name: str,
        role_of: Callable[[str], str],
        units: str | None,
        move_m: Sequence[float],
        chord_tolerance_m: float,
    ) -> Drawing:
        """Read one file."""


READERS: dict[str, ReadModel] = {".dxf": dxf.read_model}


def read_model(
    path: Path,
    *,
    name: str,
    role_of: Callable[[str], str],
    units: str | None = None,
    move_m: Sequence[float] = (0.0, 0.0, 0.0),
    chord_tolerance_m: float = 1e-4,
) -> Drawing:
    """Read a file of building geometry by its suffix.

    Raises
    ------
    UnreadableFileError
        No reader knows the suffix, or the reader cannot use the file.
    """
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise UnreadableFileError(name, f"its suffix is none of {' '.join(sorted(READERS))}: export it as one of these")
    return reader(path, name=name, role_of=role_of, units=units, move_m=move_m, chord_tolerance_m=chord_tolerance_m)
