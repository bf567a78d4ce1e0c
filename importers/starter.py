"""A first ``route3d.toml`` for a folder of drawings: what is guessed says so, what a person must say stands out."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from importers.project_values import CONTROL
from importers.survey_oddities import FileSurvey, LayerGuess, plausible_units

FILL_IN = "FILL IN"
_WITH_ROUTES = (".dxf", ".ifc", ".ifczip")


def starter_project(surveys: Sequence[FileSurvey]) -> str:
    """Return a commented project file; a line that a person must complete has ``FILL_IN`` in it."""
    lines = [
        "# Written by `route3d init`: what is guessed says so. Correct it, then run `route3d check`.",
        f"# A line with {FILL_IN} must be completed first.",
        'name  = "unnamed project"',
        'rules = "nec-2023"       # the edition adopted where you build: nec-2026, nec-2023, nec-2020, nec-2017',
        'units = "mm"             # of every length in this file',
        'occupancy = "other"      # or "dwelling"',
        "",
    ]
    for survey in surveys:
        if survey.problem is not None:
            lines += [f"# {_comment(survey.file)} cannot be read: {_comment(survey.problem)}", ""]
        else:
            lines += _model_lines(survey)
    lines += _route_lines(surveys)
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


def lines_to_fill_in(text: str) -> tuple[tuple[int, str], ...]:
    """Return number and text of each line that must be completed."""
    numbered = enumerate(text.splitlines(), start=1)
    return tuple((n, line.strip()) for n, line in numbered if f"# {FILL_IN}" in line)


def _model_lines(survey: FileSurvey) -> Iterable[str]:
    yield "[[model]]"
    yield f"file = {_quoted(survey.file)}"
    for oddity in survey.oddities:
        yield f"# look: {_comment(oddity)}"
    yield from _unit_lines(survey)
    if not survey.states_up:
        yield '# up = "y"               # if the model lies on its side: the file does not say; z is taken'
    if survey.spacing is not None:
        unit = survey.unit if survey.unit is not None else "the file's unit"
        yield (
            f"point_radius = {max(survey.spacing, 1e-6):.3g}    # guessed from how far apart points are, in {unit}: "
            "each point counts as a ball of this radius"
        )
    yield "[model.roles]"
    named = False
    for layer in survey.layers:
        if layer.role == "zone":
            continue
        named = True
        role = "ignore" if layer.role == "cable" else layer.role
        kinds = ", ".join(f"{count} {kind}" for kind, count in layer.summary.kinds)
        yield f'{_quoted(layer.pattern)} = "{role}"    # guessed: {_comment(layer.reason)}; {_comment(kinds)}'
    if not named:
        yield '# "*" = "obstacle"'
    yield ""


def _unit_lines(survey: FileSurvey) -> Iterable[str]:
    if survey.unit is None:
        likely = list(plausible_units(survey.box)) if survey.box is not None else []
        first = likely[0] if likely else "mm"
        others = f" ({' or '.join(likely)} would fit its size)" if likely else ""
        say = f"{_comment(survey.file)} states no unit; say which it is drawn in{others}"
        yield f'# units = "{first}"   # {FILL_IN}: {say}'


def _route_lines(surveys: Sequence[FileSurvey]) -> Iterable[str]:
    found = False
    for survey in surveys:
        mine = [
            layer for layer in survey.layers if layer.role == "cable" and survey.file.lower().endswith(_WITH_ROUTES)
        ]
        if mine:
            found = True
            yield "[[routes]]"
            yield f"file = {_quoted(survey.file)}"
            yield from _unit_lines(survey)
            yield "[routes.cables]"
            for layer in mine:
                yield f'{_quoted(layer.pattern)} = "mc-12-2"    # guessed: {_comment(layer.reason)}'
            yield ""
    if not found:
        yield from (
            f"# {FILL_IN}: no layer looks like cable. Name the drawing that holds the routes, and its layers:",
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
        )


def _zone_lines(surveys: Sequence[FileSurvey]) -> Iterable[str]:
    zones: dict[str, list[LayerGuess]] = {}
    for survey in surveys:
        for layer in survey.layers:
            if layer.role == "zone" and layer.pattern.isprintable():
                zones.setdefault(layer.pattern, []).append(layer)
    for name, layers in sorted(zones.items()):
        solid = all(layer.summary.triangles for layer in layers)
        lead = "" if solid else "# "
        if not solid:
            yield "# these are outlines: say between which heights the zone lies, then take out the marks of comment"
        yield f"{lead}[[zone]]"
        yield f"{lead}name  = {_quoted(name)}"
        yield f'{lead}kind  = "accessible-ceiling"     # guessed; or inaccessible wet damp corrosive damage plenum'
        yield f"{lead}layer = {_quoted(name)}"
        if not solid:
            yield from ("# bottom = 2700", "# top    = 3600")
        yield ""


def _quoted(text: str) -> str:
    # JSON strings are TOML basic strings, but for lone halves of characters; the project file may hold no control
    # characters, and in a pattern ? stands for any one character
    plain = CONTROL.sub("?", text.encode("utf-8", errors="replace").decode("utf-8"))
    return json.dumps(plain, ensure_ascii=False)


def _comment(text: str) -> str:
    """Return text for a comment: one line, and nothing that TOML does not allow there."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
