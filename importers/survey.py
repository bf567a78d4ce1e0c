"""What is in a folder of drawings: per layer the kinds, extent and a guessed role, and what looks odd."""

from __future__ import annotations

import dataclasses
import fnmatch
import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

import importers
from importers.endless import refuse_endless
from importers.ifc_roles import guess_class_role
from importers.model_cache import digest_of
from importers.roles import NO_MATCH_ROLE, ZONE_ROLE, guess_role
from importers.survey_oddities import Box, FileSurvey, LayerGuess, folder_oddities, with_oddities
from route3d.errors import InputError, MissingExtraError, UnknownUnitError
from route3d.model.building import Drawing, DrawnRoute, LayerSummary

# Layer names that mean cable rather than building; E-CABL and the like in discipline-major-minor codes.
CABLE_LAYERS = ("*CABL*", "*WIRE*", "*CIRC*", "*ROUTE*")
ZONE_LAYERS = ("Z-*", "*ZONE*")
_CABLE_CLASS = "IfcCableSegment"
_CENTRE_LINES = frozenset({"LINE", "LWPOLYLINE", "POLYLINE", "ARC", "SPLINE", "HELIX"})
_MANY_LAYERS = 24  # more names of parts than this are told by their common beginnings
_NUMBER_AT_END = re.compile(r"[\s._#-]*\d+$")
_SAMPLE = 20_000
_TRIAL_RADIUS = 0.01


def survey_folder(folder: Path, say: Callable[..., None] = lambda doing, share=None: None) -> tuple[FileSurvey, ...]:
    """Look through the files of a folder that can be read; those of other folders below it are not looked at.

    Raises
    ------
    InputError
        It is not a folder, or holds no file of a readable kind.
    """
    if not folder.is_dir():
        raise InputError(folder, "is not a folder")
    files = sorted(p for p in folder.iterdir() if p.suffix.lower() in importers.READERS and p.is_file())
    if not files:
        raise InputError(folder, f"holds no file of a kind that can be read ({', '.join(sorted(importers.READERS))})")
    sizes = [path.stat().st_size for path in files]
    surveys = []
    for number, path in enumerate(files):
        say(f"reading {path.name}", sum(sizes[:number]) / max(sum(sizes), 1))
        surveys.append(_survey(path))
    return folder_oddities(surveys)


def guess(layer: str, *also: str) -> tuple[str, str]:
    """Return what a layer (or class, or part, with its other names) seems to be, and the reason.

    Besides roles there are ``cable`` and ``zone``.

    >>> guess("E-CABL-MC122")
    ('cable', 'its name says cable')
    >>> guess("Mesh_12", "galvanised duct")[0]
    'duct'
    """
    for name in (layer, *also):
        upper = name.upper()
        if any(fnmatch.fnmatchcase(upper, pattern) for pattern in ZONE_LAYERS):
            return ZONE_ROLE, "its name says zone"
        if any(fnmatch.fnmatchcase(upper, pattern) for pattern in CABLE_LAYERS):
            return "cable", "its name says cable"
        role, why = guess_role(name)
        if role != NO_MATCH_ROLE:
            return role, why if name == layer else f"{why} {name!r}"
    return NO_MATCH_ROLE, "no known name: give it a role"


class _Guesses:
    """Roles by guessing from names, with the reasons; of IFC classes nothing is stated: they have their own."""

    def __init__(self) -> None:
        self.reasons: dict[str, tuple[str, str]] = {}

    def __call__(self, layer: str, *also: str) -> str:
        if layer.startswith("Ifc"):
            return NO_MATCH_ROLE
        role, why = guess(layer, *also)
        if role != NO_MATCH_ROLE or layer not in self.reasons:
            self.reasons[layer] = (role, why)
        return role if role != "cable" else "ignore"  # runs are looked for by themselves

    def stated(self, layer: str, *also: str) -> str | None:
        return "ignore" if layer.startswith(_CABLE_CLASS) else None

    def of(self, summary: LayerSummary) -> tuple[str, str]:
        """Return role and reason for a layer that was read."""
        found = guess_class_role(summary.layer, summary.role)
        return found if found is not None else self.reasons.get(summary.layer) or guess(summary.layer)


def _survey(path: Path) -> FileSurvey:
    unit: str | None = None
    role_of = _Guesses()
    radius = _TRIAL_RADIUS if path.suffix.lower() in importers.SCANS or path.suffix.lower() == ".ply" else None
    try:
        refuse_endless(path, path.name)
        try:
            drawing = _read(path, role_of, None, radius)
            unit = drawing.source.unit
        except UnknownUnitError:
            drawing = _read(path, role_of, "m", radius)  # as the numbers stand in the file
    except (InputError, MissingExtraError) as error:
        return FileSurvey(path.name, problem=_without_name(path, str(error)))
    routes = _routes(path, drawing, "m" if unit is None else None)
    on_layer: dict[str, list[DrawnRoute]] = {}
    for route in routes:
        on_layer.setdefault(route.layer, []).append(route)
    layers = []
    for summary in drawing.layers:
        role, why = role_of.of(summary)
        mine = on_layer.get(summary.layer, [])
        if mine and role in (NO_MATCH_ROLE, "ignore") and _is_spatial(mine):
            role, why = "cable", "nothing but centre lines in space"
        if role == "cable" and mine:
            summary = dataclasses.replace(summary, box_m=_box_of(mine))
            why += f"; {len(mine)} run(s), {sum(map(_length, mine)):.1f} {'m' if unit is not None else 'units'} in all"
        if summary.layer:
            layers.append(LayerGuess(summary.layer, summary, role, why))
    scanned = any(e.thickness_m for e in drawing.elements)
    found = FileSurvey(
        path.name,
        unit=unit,
        layers=_folded(layers) if path.suffix.lower() in importers.MESHES else tuple(layers),
        unread=len(drawing.unread),
        notes=drawing.source.notes,
        sha256=drawing.source.sha256 or digest_of(path),
        entities=drawing.source.entities,
        triangles=drawing.source.triangles,
        box=_union([layer.summary.box_m for layer in layers]),
        states_up=path.suffix.lower() not in importers.MESHES - {".glb", ".gltf"},
        spacing=_spacing(drawing) if scanned else None,
    )
    return with_oddities(found, drawing)


def _without_name(path: Path, problem: str) -> str:
    return problem.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")


def _read(path: Path, role_of: Callable[..., str], units: str | None, radius: float | None) -> Drawing:
    return importers.read_model(
        path, name=path.name, role_of=role_of, units=units, chord_tolerance_m=0.001, point_radius=radius
    )


def _routes(path: Path, drawing: Drawing, units: str | None) -> tuple[DrawnRoute, ...]:
    """Return the runs drawn on layers that are named for cable, or hold lines only."""
    if path.suffix.lower() not in importers.IFCS | {".dxf"}:
        return ()
    wanted = {
        s.layer
        for s in drawing.layers
        if s.layer.startswith(_CABLE_CLASS)
        or guess(s.layer)[0] == "cable"
        or (not s.triangles and {kind for kind, _ in s.kinds} <= _CENTRE_LINES and guess(s.layer)[0] == NO_MATCH_ROLE)
    }
    if not wanted:
        return ()
    try:
        return importers.read_routes(path, name=path.name, wanted=wanted.__contains__, units=units).routes
    except (InputError, MissingExtraError):
        return ()  # a first look: reading it for the check says why


def _is_spatial(routes: list[DrawnRoute]) -> bool:
    """Tell whether routes leave their level: what stays flat is more likely a plan."""
    return any(np.ptp(route.corners_m[:, 2]) > 0.01 for route in routes)


def _length(route: DrawnRoute) -> float:
    return float(np.linalg.norm(np.diff(route.corners_m, axis=0), axis=1).sum())


def _box_of(routes: list[DrawnRoute]) -> Box:
    points = np.concatenate([route.corners_m for route in routes])
    return _as_box(points.min(axis=0), points.max(axis=0))


def _as_box(low: NDArray[np.float64], high: NDArray[np.float64]) -> Box:
    (x0, y0, z0), (x1, y1, z1) = low.tolist(), high.tolist()
    return (x0, y0, z0), (x1, y1, z1)


def _union(boxes: list[Box | None]) -> Box | None:
    known = np.array([box for box in boxes if box is not None])
    return _as_box(known[:, 0].min(axis=0), known[:, 1].max(axis=0)) if len(known) else None


def _folded(layers: list[LayerGuess]) -> tuple[LayerGuess, ...]:
    """Join parts whose names differ by a number at the end only, where a file has many parts."""
    if len(layers) <= _MANY_LAYERS:
        return tuple(layers)
    groups: dict[tuple[str, str, str], list[LayerGuess]] = {}
    for layer in layers:
        groups.setdefault((_NUMBER_AT_END.sub("", layer.pattern), layer.role, layer.reason), []).append(layer)
    result = []
    for (stem, role, reason), mine in groups.items():
        if len(mine) == 1 or not stem:
            result += mine
            continue
        kinds: Counter[str] = Counter()
        for layer in mine:
            kinds.update(dict(layer.summary.kinds))
        summary = LayerSummary(
            f"{stem}*",
            tuple(sorted(kinds.items())),
            role,
            sum(layer.summary.triangles for layer in mine),
            _union([layer.summary.box_m for layer in mine]),
        )
        result.append(LayerGuess(f"{stem}*", summary, role, reason))
    return tuple(result)


def _spacing(drawing: Drawing) -> float:
    """Return how far apart neighbouring points are, in the file's unit where it states none: nearly all are nearer."""
    points = np.concatenate([e.triangles_m[:, 0] for e in drawing.elements if e.thickness_m])
    chosen = points[np.random.default_rng(0).permutation(len(points))[:_SAMPLE]]
    if len(points) < 2:
        return _TRIAL_RADIUS
    away, _ = cKDTree(points).query(chosen, k=2)
    return float(np.quantile(away[:, 1], 0.95))
