"""A file in, model objects out: one module per file format.

A reader is imported when the first file of its kind is read: each brings libraries that other kinds, and files that are
kept as parsed, do without, and some take longer to import than a whole check.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from importers.plain_text import with_writable_text
from importers.roles import RoleOf
from route3d.errors import InputError, UnreadableFileError
from route3d.model.building import Drawing, RouteDrawing

__all__ = ["IFCS", "MESHES", "READERS", "SCANS", "read_model", "read_routes"]

MESHES = frozenset({".glb", ".gltf", ".obj", ".ply", ".stl"})
IFCS = frozenset({".ifc", ".ifczip"})
SCANS = frozenset({".e57", ".las", ".laz"})


def _dxf(path: Path, **asked: Any) -> Drawing:
    from importers import dxf

    return dxf.read_model(path, **asked)


def _ifc(path: Path, **asked: Any) -> Drawing:
    from importers import ifc

    return ifc.read_model(path, **asked)


def _mesh(path: Path, **asked: Any) -> Drawing:
    from importers import mesh

    return mesh.read_model(path, **asked)


def _scan(path: Path, **asked: Any) -> Drawing:
    from importers import scans

    return scans.read_scan(path, **asked)


# each takes the arguments of importers.dxf.read_model; meshes and scans take ``up`` and ``point_radius`` as well
READERS: dict[str, Callable[..., Drawing]] = {
    ".dxf": _dxf,
    **dict.fromkeys(sorted(IFCS), _ifc),
    **dict.fromkeys(sorted(MESHES), _mesh),
    **dict.fromkeys(sorted(SCANS), _scan),
}


def read_model(
    path: Path,
    *,
    name: str,
    role_of: RoleOf,
    units: str | None = None,
    move_m: Sequence[float] = (0.0, 0.0, 0.0),
    chord_tolerance_m: float = 1e-4,
    up: str | None = None,
    point_radius: float | None = None,
    say: Callable[[str], None] | None = None,
) -> Drawing:
    """Read a file of building geometry by its suffix.

    ``up`` ("y" or "z") and ``point_radius`` (in the file's unit) are for meshes and scans. ``say`` is told how far a
    reader is that takes long.

    Raises
    ------
    UnreadableFileError
        No reader knows the suffix, or the reader cannot use the file.
    InputError
        The file cannot be used as it is asked to be.
    """
    suffix = path.suffix.lower()
    reader = READERS.get(suffix)
    if reader is None:
        raise UnreadableFileError(name, f"its suffix is none of {' '.join(sorted(READERS))}: export it as one of these")
    asked: dict[str, object] = {"up": up, "point_radius": point_radius}
    stated = {key: value for key, value in asked.items() if value is not None}
    if stated and suffix not in MESHES | SCANS:
        raise InputError(name, "is for meshes and point clouds only: remove it", f"model.{next(iter(stated))}")
    if say is not None and suffix in IFCS:
        stated["say"] = say
    drawing = reader(
        path,
        name=name,
        role_of=role_of,
        units=units,
        move_m=move_m,
        chord_tolerance_m=chord_tolerance_m,
        **stated,
    )
    return with_writable_text(drawing)


def read_routes(
    path: Path,
    *,
    name: str,
    wanted: Callable[[str], bool],
    units: str | None = None,
    move_m: Sequence[float] = (0.0, 0.0, 0.0),
    chord_tolerance_m: float = 1e-4,
    say: Callable[[str], None] | None = None,
) -> RouteDrawing:
    """Read the runs drawn in a DXF or IFC file; errors as ``read_model``."""
    suffix = path.suffix.lower()
    asked: dict[str, Any] = {
        "name": name,
        "wanted": wanted,
        "units": units,
        "move_m": move_m,
        "chord_tolerance_m": chord_tolerance_m,
    }
    if suffix in IFCS:
        from importers import ifc_routes

        if say is not None:
            asked["say"] = say
        return with_writable_text(ifc_routes.read_routes(path, **asked))
    if suffix != ".dxf":
        raise UnreadableFileError(name, "holds no runs: draw them in DXF, or as IfcCableSegment in IFC")
    from importers import dxf_routes

    return with_writable_text(dxf_routes.read_routes(path, **asked))
