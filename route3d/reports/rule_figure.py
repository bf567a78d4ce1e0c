"""A small drawn figure for a rule: as SVG, and in characters for a terminal."""

from __future__ import annotations

from html import escape
from typing import Any

from route3d.reports.strip_layout import cut
from route3d.rules.describe import numbers
from route3d.rules.records import Entry
from route3d.units import feet_inches, millimetres

WIDTH, HEIGHT = 460, 240

_HEAD = (
    f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
    'font-family="sans-serif" font-size="13" fill="none" stroke="black" stroke-width="1.5">'
    '<rect width="100%" height="100%" fill="white" stroke="none"/>'
    '<defs><marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" markerHeight="7" '
    'orient="auto-start-reverse"><path d="M0 0 10 5 0 10z" fill="black" stroke="none"/></marker>'
    '<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path d="M0 0V7" stroke-width="1"/></pattern></defs>'
)


def figure_svg(group: str, entry: Entry) -> str:
    """Return the figure of a rule as an SVG document, with its citation under it."""
    body = _DRAWINGS.get(group, _gap)(entry)
    caption = _words(16, 224, f"{entry.cite} · {_source(entry)}", size=11)
    return f"{_HEAD}{body}{caption}</svg>\n"


def figure_text(group: str, entry: Entry) -> str:
    """Return the figure of a rule in characters, at most 60 wide."""
    return _SKETCHES.get(group, _sketch_gap)(entry)


def _source(entry: Entry) -> str:
    return {
        "seen": "read on a page",
        "memory": "from memory",
        "practice": "practice, not code",
        "project": "the project's own",
    }[entry.source]


# --- numbers ----------------------------------------------------------------------------------------------------------


def _length(value: float | None) -> str:
    return "–" if value is None else f"{feet_inches(value)} ({millimetres(value)})"


def _first_length(entry: Entry) -> float | None:
    """Return the number that a rule of an unknown kind turns on: the first length that it states."""
    names = ("gap_min_m", "value_m", "length_max_m", "interval_m", "along_max_m", "straight_max_m")
    stated = [getattr(entry, name, None) for name in names]
    named = [getattr(entry, name) for name in entry.__dataclass_fields__ if name.endswith("_m") and name not in names]
    return next((float(v) for v in (*stated, *named) if isinstance(v, int | float)), None)


def _factor(entry: Any) -> str:
    over = {"sheath": "sheath diameter", "overall": "overall diameter", "major": "diameter (major axis)"}[entry.of]
    text = f"R ≥ {entry.multiplier:g} × {over}"
    return text if entry.conductor_multiplier is None else f"{text}, ≥ {entry.conductor_multiplier:g} × conductor"


# --- SVG --------------------------------------------------------------------------------------------------------------


def _words(x: float, y: float, text: str, *, anchor: str = "start", size: int = 13) -> str:
    look = f'text-anchor="{anchor}" font-size="{size}" fill="black" stroke="none"'
    return f'<text x="{x}" y="{y}" {look}>{escape(text)}</text>'


def _dimension(x1: float, y1: float, x2: float, y2: float) -> str:
    tips = 'stroke-width="1" marker-start="url(#tip)" marker-end="url(#tip)"'
    return f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" {tips}/>'


def _box(x: float, y: float, w: float, h: float, fill: str = "white") -> str:
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}"/>'


def _cable(x1: float, x2: float, y: float = 100) -> str:
    return f'<path d="M{x1} {y - 5}H{x2}M{x1} {y + 5}H{x2}"/>'


def _strap(x: float, y: float = 100) -> str:
    return f'<path d="M{x} {y - 9}V{y + 14}" stroke-width="3"/>{_box(x - 5, y + 12, 10, 7, "black")}'


def _bend(entry: Any) -> str:
    return (
        '<path d="M40 50H250A120 120 0 0 1 370 170V215M40 74H250A96 96 0 0 1 346 170V215"/>'
        '<circle cx="250" cy="170" r="2.5" fill="black"/>'
        '<line x1="250" y1="170" x2="317.9" y2="102.1" stroke-width="1" marker-end="url(#tip)"/>'
        f"{_dimension(70, 50, 70, 74)}{_words(80, 67, 'd')}{_words(30, 110, _factor(entry))}"
        f"{_words(30, 130, 'to the inner edge of the bend', size=11)}{_words(240, 190, 'R', anchor='end')}"
    )


def _raceway(entry: Any) -> str:
    if hasattr(entry, "one_shot_m"):
        said = (f"one-shot, full-shoe: {_length(entry.one_shot_m)}", f"other bends: {_length(entry.other_m)}")
    else:
        said = ("R by trade size, from the table", f"column: {entry.column.replace('_', '-')}")
    return (
        '<path d="M40 50H250A120 120 0 0 1 370 170V215M40 74H250A96 96 0 0 1 346 170V215"/>'
        '<path d="M40 62H250A108 108 0 0 1 358 170V215" stroke-width="0.8" stroke-dasharray="10 3 2 3"/>'
        '<circle cx="250" cy="170" r="2.5" fill="black"/>'
        '<line x1="250" y1="170" x2="326.4" y2="93.6" stroke-width="1" marker-end="url(#tip)"/>'
        f"{_words(30, 110, said[0])}{_words(30, 128, said[1])}{_words(30, 146, 'to the centre line', size=11)}"
    )


def _total(entry: Any) -> str:
    return (
        f"{_box(20, 150, 34, 34)}{_box(406, 30, 34, 34)}"
        '<path d="M54 167H120A20 20 0 0 0 140 147V107A20 20 0 0 1 160 87H240A20 20 0 0 0 260 67A20 20 0 0 1 280 47'
        'H406" stroke-width="6"/>'
        f"{_words(30, 206, f'sum of all bends between pull points: {entry.degrees_max:g}° at most')}"
    )


def _hold(entry: Any) -> str:
    if entry.interval_m is None:
        return f"{_cable(30, 430)}{_words(230, 150, 'no interval is stated', anchor='middle')}"
    longer = ""
    if entry.vertical_interval_m is not None:
        size = entry.vertical_size_min.text if entry.vertical_size_min is not None else "any size"
        longer = _words(
            230, 190, f"vertical, {size} and larger: ≤ {_length(entry.vertical_interval_m)}", anchor="middle"
        )
    return (
        f"{_box(14, 80, 36, 40)}{_cable(50, 440)}{_strap(90)}{_strap(390)}{_dimension(90, 150, 390, 150)}"
        f"{_words(240, 142, f'≤ {_length(entry.interval_m)}', anchor='middle')}{longer}"
    )


def _first(entry: Any) -> str:
    limit = entry.along_max_m if entry.along_max_m is not None else entry.straight_max_m
    straight = (
        _words(40, 190, f"in a straight line: ≤ {_length(entry.straight_max_m)}")
        if entry.straight_max_m is not None
        else ""
    )
    return (
        f"{_box(30, 70, 60, 60)}{_cable(90, 440)}{_strap(250)}{_dimension(90, 150, 250, 150)}"
        f"{_words(262, 154, f'≤ {_length(limit)}')}{_words(262, 171, 'along the cable', size=11)}{straight}"
    )


def _exemption(entry: Any) -> str:
    if entry.kind == "fished":
        return (
            '<rect x="90" y="60" width="290" height="80" fill="url(#hatch)"/>'
            f"{_box(14, 80, 36, 40)}{_cable(50, 440)}{_strap(72)}{_strap(404)}"
            f"{_words(235, 160, 'finished and closed: no strap is asked for inside', anchor='middle', size=12)}"
        )
    thing = "luminaire" if entry.kind == "whip" else "moves"
    limit = "any length" if entry.length_max_m is None else f"≤ {_length(entry.length_max_m)}"
    ceiling = _words(24, 40, "accessible ceiling", size=11) if entry.kind == "whip" else ""
    sky = (
        '<rect x="16" y="24" width="428" height="130" fill="none" stroke-dasharray="6 4"/>'
        if entry.kind == "whip"
        else ""
    )
    return (
        f"{sky}{ceiling}{_box(40, 70, 40, 40)}"
        '<path d="M80 85C200 60 240 130 350 118M80 95C200 70 240 140 350 128"/>'
        f"{_box(350, 108, 84, 30)}{_words(392, 128, thing, anchor='middle', size=10)}"
        f"{_dimension(80, 172, 350, 172)}{_words(215, 190, f'{limit} along the cable, unsecured', anchor='middle')}"
    )


def _deck(entry: Any) -> str:
    ribs = "".join("h30l8 34h24l8 -34" for _ in range(5))
    return (
        f'<path d="M40 40{ribs}h30" stroke-width="3"/><line x1="30" y1="74" x2="440" y2="74" stroke-width="0.8" '
        'stroke-dasharray="4 3"/><circle cx="230" cy="160" r="16" fill="white"/>'
        f"{_dimension(280, 74, 280, 144)}{_words(290, 114, f'≥ {_length(entry.gap_min_m)}')}"
        '<line x1="230" y1="144" x2="290" y2="144" stroke-width="0.8"/>'
    )


def _zone(entry: Any) -> str:
    mark, word = {True: ("✔", "allowed"), False: ("✘", "not allowed"), None: ("?", "to be confirmed")}[entry.allowed]
    return (
        '<rect x="120" y="40" width="220" height="120" fill="url(#hatch)" stroke-dasharray="6 4"/>'
        f"{_cable(30, 430)}{_words(230, 34, cut(', '.join(entry.zones), 60), anchor='middle')}"
        f"{_words(230, 190, f'{mark} {word}', anchor='middle', size=16)}"
    )


def _bundle(entry: Any) -> str:
    cables = "".join(
        f'<circle cx="{150 + 34 * (k % 5)}" cy="{70 + 34 * (k // 5)}" r="16" fill="white"/>' for k in range(10)
    )
    steps = ", ".join(f"{count}+: {percent:g} %" for count, percent in entry.percent_by_count)
    return (
        f"{cables}{_words(230, 160, f'together for more than {_length(entry.longer_than_m)}', anchor='middle')}"
        f"{_words(230, 182, f'conductors {steps}', anchor='middle', size=11)}"
    )


def _gap(entry: Any) -> str:
    value = _first_length(entry)
    if value is None:
        said = "the numbers are in the rule" if numbers(entry) else "a demand without a number"
        return (
            f"{_box(40, 40, 380, 120, 'url(#hatch)')}{_box(60, 84, 340, 36)}{_words(230, 107, said, anchor='middle')}"
        )
    if "hole" in entry.key or "bored" in entry.key:
        return (
            f"{_box(60, 30, 90, 160, 'url(#hatch)')}"
            '<circle cx="105" cy="110" r="20" fill="white"/><circle cx="105" cy="110" r="11"/>'
            f"{_dimension(170, 130, 170, 190)}"
            '<path d="M105 130H176M150 190H176" stroke-width="0.8"/>'
            f"{_words(182, 165, _length(value))}{_words(182, 183, 'hole to the edge of the member', size=11)}"
        )
    return (
        f"{_box(60, 40, 40, 120, 'url(#hatch)')}"
        '<circle cx="300" cy="100" r="18" fill="white"/>'
        f"{_dimension(100, 100, 282, 100)}{_words(191, 90, _length(value), anchor='middle')}"
    )


def _burial(entry: Any) -> str:
    return (
        f"{_box(30, 40, 400, 12, 'url(#hatch)')}"
        '<circle cx="200" cy="166" r="14"/>'
        f"{_dimension(240, 52, 240, 152)}{_words(250, 108, f'≥ {_length(_first_length(entry))}')}"
        '<line x1="200" y1="152" x2="250" y2="152" stroke-width="0.8"/>'
    )


_DRAWINGS = {
    "burial": _burial,
    "bend": _bend,
    "raceway_bend": _raceway,
    "raceway_radius": _raceway,
    "bend_total": _total,
    "securing": _hold,
    "supporting": _hold,
    "first_strap": _first,
    "exemption": _exemption,
    "deck": _deck,
    "environment": _zone,
    "bundle": _bundle,
}


# --- characters -------------------------------------------------------------------------------------------------------


def _sketch_bend(entry: Any) -> str:
    said = _factor(entry) if hasattr(entry, "multiplier") else "R by trade size, to the centre line"
    return f"══════════╗\n──────╮   ║   {said}\n    R ╲   ║\n       │  ║"


def _sketch_total(entry: Any) -> str:
    return f"[box]══╗        ╔══[box]\n       ╚══╗  ╔══╝        sum of bends ≤ {entry.degrees_max:g}°\n          ╚══╝"


def _sketch_hold(entry: Any) -> str:
    if entry.interval_m is None:
        return "═══════════════════════   no interval is stated"
    return f"[box]═══╤═════════════════╤═══\n        ■├───────────────┤■\n          ≤ {_length(entry.interval_m)}"


def _sketch_first(entry: Any) -> str:
    limit = entry.along_max_m if entry.along_max_m is not None else entry.straight_max_m
    return f"┌───┐\n│box╞══════════╤══════\n└───┘├────────┤■\n      ≤ {_length(limit)}"


def _sketch_exemption(entry: Any) -> str:
    if entry.kind == "fished":
        return "[box]══■▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒■══[box]\n        finished and closed: no strap asked for"
    thing = "luminaire" if entry.kind == "whip" else "moves"
    limit = "any length" if entry.length_max_m is None else f"≤ {_length(entry.length_max_m)}"
    return f"[box]~~~~~~~~~~~~~~~~[{thing}]\n     ├──────────────┤\n      {limit}"


def _sketch_deck(entry: Any) -> str:
    return f"▔▔\\__/▔▔\\__/▔▔\\__/▔▔\n      ┬\n      │ ≥ {_length(entry.gap_min_m)}\n      ┴\n      ◯ cable"


def _sketch_zone(entry: Any) -> str:
    mark = {True: "✔ allowed", False: "✘ not allowed", None: "? to be confirmed"}[entry.allowed]
    return f"═════▒▒▒▒▒▒▒▒▒▒═════   {cut(', '.join(entry.zones), 30)}: {mark}"


def _sketch_bundle(entry: Any) -> str:
    return f"◯◯◯◯◯  together for more than\n◯◯◯◯◯  {_length(entry.longer_than_m)}"


def _sketch_gap(entry: Any) -> str:
    value = _first_length(entry)
    if value is None:
        return ""
    return f"▒▒▒├────────┤◯\n    {_length(value)}"


_SKETCHES = {
    "bend": _sketch_bend,
    "raceway_bend": _sketch_bend,
    "raceway_radius": _sketch_bend,
    "bend_total": _sketch_total,
    "securing": _sketch_hold,
    "supporting": _sketch_hold,
    "first_strap": _sketch_first,
    "exemption": _sketch_exemption,
    "deck": _sketch_deck,
    "environment": _sketch_zone,
    "bundle": _sketch_bundle,
}
