"""What is in a folder of drawings: per layer the kinds, extent and a guessed role, for a first project file."""

from __future__ import annotations

import fnmatch
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import importers
from importers.roles import guess_role
from route3d.errors import InputError, UnknownUnitError
from route3d.model.building import LayerSummary

# Layer names that mean cable rather than building; E-CABL and the like in discipline-major-minor codes.
CABLE_LAYERS = ("*CABL*", "*WIRE*", "*CIRC*", "*ROUTE*")
ZONE_LAYERS = ("Z-*", "*ZONE*")


@dataclass(frozen=True, slots=True)
class LayerGuess:
    """One layer of one file."""

    summary: LayerSummary
    role: str  # a role, or "cable" or "zone"
    reason: str


@dataclass(frozen=True, slots=True)
class FileSurvey:
    """One file; ``problem`` says why it cannot be read, or None."""

    file: str
    unit: str | None  # None: it states none
    layers: tuple[LayerGuess, ...]
    unread: int
    notes: tuple[str, ...]
    problem: str | None = None


def survey_folder(folder: Path) -> tuple[FileSurvey, ...]:
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
    return tuple(_survey(path) for path in files)


def _guess(layer: str) -> tuple[str, str]:
    upper = layer.upper()
    if any(fnmatch.fnmatchcase(upper, pattern) for pattern in ZONE_LAYERS):
        return "zone", "its name says zone"
    if any(fnmatch.fnmatchcase(upper, pattern) for pattern in CABLE_LAYERS):
        return "cable", "its name says cable"
    return guess_role(layer)


def _survey(path: Path) -> FileSurvey:
    unit: str | None = None
    try:
        try:
            drawing = _read(path, None)
            unit = drawing.source.unit
        except UnknownUnitError:
            drawing = _read(path, "mm")
    except InputError as error:
        return FileSurvey(path.name, None, (), 0, (), str(error))
    layers = tuple(LayerGuess(summary, *_guess(summary.layer)) for summary in drawing.layers)
    return FileSurvey(path.name, unit, layers, len(drawing.unread), drawing.source.notes)


def _read(path: Path, units: str | None):  # type: ignore[no-untyped-def]
    return importers.read_model(
        path,
        name=path.name,
        # cables and zones are not obstacles, and their lines are not missing surfaces
        role_of=lambda layer: role if (role := _guess(layer)[0]) not in ("cable", "zone") else "strap",
        units=units,
        move_m=(0.0, 0.0, 0.0),
        chord_tolerance_m=0.001,
    )


def starter_project(surveys: Sequence[FileSurvey]) -> str:
    """Return a commented ``route3d.toml`` for what was found; guesses are marked as such."""
    lines = [
        "# Written by `route3d init`: what is guessed says so. Correct it, then run `route3d check`.",
        'name  = "unnamed project"',
        'rules = "nec-2023"       # the edition adopted where you build: nec-2026, nec-2023, nec-2020, nec-2017',
        'units = "mm"             # of every length in this file',
        'occupancy = "other"      # or "dwelling"',
        "",
    ]
    for survey in surveys:
        if survey.problem is not None:
            lines += [f"# {_one_line(survey.file)} cannot be read: {_one_line(survey.problem)}", ""]
            continue
        lines += _model_lines(survey)
    cable_layers = [(s, layer) for s in surveys for layer in s.layers if layer.role == "cable"]
    for survey in surveys:
        mine = [layer for s, layer in cable_layers if s is survey]
        if mine:
            lines += ["[[routes]]", f"file = {_quoted(survey.file)}", *_unit_line(survey), "[routes.cables]"]
            lines += [f'{_quoted(layer.summary.layer)} = "mc-12-2"    # guessed' for layer in mine]
            lines.append("")
    if not cable_layers:
        lines += [
            "# No layer looks like cable. Name the drawing that holds the routes and its layers:",
            "# [[routes]]",
            '# file = "routes.dxf"',
            "# [routes.cables]",
            '# "E-CABL*" = "mc-12-2"',
            "# or give a run by its points:",
            "# [[run]]",
            '# id    = "L1-LTG-01"',
            '# cable = "mc-12-2"',
            "# path  = [[0, 0, 2900], [4000, 0, 2900]]",
            "",
        ]
    lines += _zone_lines(surveys)
    lines += [
        "[cable.mc-12-2]                  # take the numbers from the maker's sheet of the cable that is bought",
        'method          = "mc-interlocked"',
        "sheath_diameter = 11.7           # nominal",
        "conductors      = 3",
        'size            = "12 AWG"',
        "",
        "[clearance]                      # smallest gaps that this project asks for; a role not named: 0",
        "hot-pipe = 150                   # practice, not code",
        "",
    ]
    return "\n".join(lines)


def _model_lines(survey: FileSurvey) -> list[str]:
    lines = ["[[model]]", f"file = {_quoted(survey.file)}", *_unit_line(survey), "[model.roles]"]
    for layer in survey.layers:
        role = "ignore" if layer.role == "cable" else layer.role
        if role != "zone":
            kinds = ", ".join(f"{count} {kind}" for kind, count in layer.summary.kinds)
            lines.append(f'{_quoted(layer.summary.layer)} = "{role}"    # guessed: {layer.reason}; {_one_line(kinds)}')
    lines.append("")
    return lines


def _unit_line(survey: FileSurvey) -> list[str]:
    if survey.unit is not None:
        return []
    return ['# units = "mm"           # the file states none: say which it is drawn in, or the check will refuse it']


def _zone_lines(surveys: Sequence[FileSurvey]) -> list[str]:
    lines = []
    for layer in sorted({layer.summary.layer for s in surveys for layer in s.layers if layer.role == "zone"}):
        lines += [
            "[[zone]]",
            f"name  = {_quoted(layer)}",
            'kind  = "accessible-ceiling"     # guessed; or inaccessible wet damp corrosive damage plenum',
            f"layer = {_quoted(layer)}",
            "",
        ]
    return lines


def _quoted(text: str) -> str:
    # JSON strings are TOML basic strings, but for the delete character
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _one_line(text: str) -> str:
    return " ".join(text.split())
