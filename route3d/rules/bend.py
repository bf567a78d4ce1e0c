"""How tight a cable may be bent."""

from __future__ import annotations

from dataclasses import dataclass, replace

from route3d.model.cable import Cable
from route3d.rules.records import BendRule
from route3d.rules.rulebook import RuleBook, last_for
from route3d.units import both_units, millimetres

# Diameters are written to a tenth of a millimetre at best; this only keeps 0.75 in, computed, within "up to 3/4 in".
_BAND_M = 1e-9

_METAL_CLAD = ("mc-interlocked", "mc-corrugated", "mc-smooth", "mi")


@dataclass(frozen=True, slots=True)
class BendRequirement:
    """The smallest radius that the rule set allows one cable; radii are None where no limit can be stated."""

    inner_radius_m: float | None  # to the inner edge of the bend: factor × governing diameter
    centre_radius_m: float | None  # inner radius plus half the overall diameter
    rule: str  # "NEC 2023 330.24(B)"
    why: str  # "7 × 11.5 mm over the sheath"
    problem: str | None = None  # why no limit can be stated, as one sentence that says how to mend it
    easy_way_m: float | None = None  # a smaller inner radius that is enough under a condition
    easy_way: str = ""  # the condition: flat-side (the cable's), silent (the same, but the text is), one-shot (bender)
    caution: str | None = None  # what to confirm although there is a limit

    def for_bend(self, bent: str | None) -> BendRequirement:
        """Return what is asked of one bend of which ``bent`` says how a flat cable lies in it; None: not said.

        Where the text does not say which axis counts, a bend on the flat side stays a disputed reading.
        """
        if self.easy_way_m is None or bent is None or self.easy_way not in ("flat-side", "silent"):
            return self
        if bent == "edge":
            return replace(self, easy_way_m=None, easy_way="")
        if self.easy_way == "silent":
            return replace(self, easy_way="disputed")
        why = f"on its flat side: by the minor axis, {both_units(self.easy_way_m)}"
        inner, centre = self.easy_way_m, self.centre_radius_m
        if self.inner_radius_m is not None and centre is not None:
            centre = inner + centre - self.inner_radius_m
        return replace(self, inner_radius_m=inner, centre_radius_m=centre, why=why, easy_way_m=None, easy_way="")


@dataclass(frozen=True, slots=True)
class _Diameter:
    """A governing diameter, or the sentence that says which key would give it."""

    value_m: float
    over: str
    problem: str | None = None


def required_bend(cable: Cable, book: RuleBook) -> BendRequirement:
    """Return the smallest bend that ``book``, or the maker's multiplier in its place, allows ``cable``.

    Bands of diameter include their upper end. Where no limit can be stated, ``problem`` says what to add.
    """
    raceway = last_for(book.raceway_bends, cable.method)
    if raceway is not None and cable.bend_multiplier is None:
        return _raceway_bend(cable, book)
    rules = [rule for rule in reversed(book.bends) if _concerns(rule, cable)]
    measured = [(rule, _governing(cable, rule.of)) for rule in rules]
    binding = next(((rule, d) for rule, d in measured if d.problem is not None or _in_band(rule, d.value_m)), None)
    if binding is not None:
        rule, diameter = binding
    else:
        rule = None
        of = rules[0].of if rules else "sheath" if cable.method in _METAL_CLAD else "overall"
        diameter = _governing(cable, of)
    if diameter.problem is not None:
        return _problem(rule.cite if rule else book.code, "no diameter", diameter.problem)
    if cable.bend_multiplier is not None:
        return _maker_bend(cable, cable.bend_multiplier, diameter, rule, book)
    if rule is None:
        return _no_rule(cable, diameter, book)
    return _multiplied(cable, rule, diameter)


def _problem(rule: str, why: str, problem: str) -> BendRequirement:
    return BendRequirement(None, None, rule, why, problem)


def _multiplied(cable: Cable, rule: BendRule, diameter: _Diameter) -> BendRequirement:
    pulling = cable.pulled and rule.pulling_multiplier is not None
    multiplier = rule.pulling_multiplier if pulling and rule.pulling_multiplier is not None else rule.multiplier
    inner = multiplier * diameter.value_m
    why = f"{multiplier:g} × {millimetres(diameter.value_m)} {diameter.over}"
    if rule.pulling_multiplier is not None:
        other = rule.multiplier if pulling else rule.pulling_multiplier
        why += f", under tension (at rest {other:g} ×)" if pulling else f", at rest ({other:g} × while it is pulled)"
    if rule.conductor_multiplier is not None:
        if cable.conductor_diameter_m is None:
            return _problem(
                rule.cite,
                why,
                f"cable.{cable.cable_id}.conductor_diameter is missing: {rule.cite} asks for the diameter over one "
                "shielded conductor; add it from the maker's data.",
            )
        by_conductor = rule.conductor_multiplier * cable.conductor_diameter_m
        shown = f"{rule.conductor_multiplier:g} × {millimetres(cable.conductor_diameter_m)} over one shielded conductor"
        why = f"{why}, more than {shown}" if inner >= by_conductor else f"{shown}, more than {why}"
        inner = max(inner, by_conductor)
    minor = cable.minor_diameter_m
    easy_way, condition = None, ""
    if rule.of == "major" and minor is not None and minor < diameter.value_m:
        if rule.minor_axis != "never":
            easy_way, condition = rule.multiplier * minor, rule.minor_axis
        if rule.note:
            why = f"{why}; {rule.note}"
    elif rule.note and rule.of != "major":
        why = f"{why}; {rule.note}"
    return BendRequirement(inner, inner + _half_overall(cable, diameter), rule.cite, why, None, easy_way, condition)


def _maker_bend(
    cable: Cable, multiplier: float, diameter: _Diameter, rule: BendRule | None, book: RuleBook
) -> BendRequirement:
    inner = multiplier * diameter.value_m
    instead = rule.cite if rule is not None else book.code
    caution = None
    if rule is not None and rule.conductor_multiplier is None and multiplier < rule.multiplier:
        caution = (
            f"cable.{cable.cable_id}.bend_multiplier = {multiplier:g} is smaller than the {rule.multiplier:g} of "
            f"{rule.cite}; it was used as the maker's data: confirm it with the listing, or leave it out."
        )
    return BendRequirement(
        inner,
        inner + _half_overall(cable, diameter),
        f"maker's data ({multiplier:g} ×), in place of {instead}",
        f"{multiplier:g} × {millimetres(diameter.value_m)} {diameter.over}, by bend_multiplier of the cable",
        caution=caution,
    )


def _no_rule(cable: Cable, diameter: _Diameter, book: RuleBook) -> BendRequirement:
    known = any(cable.method in rule.methods for rule in book.bends)
    of = f"{cable.method} of {both_units(diameter.value_m)}" if known else f"method {cable.method}"
    return _problem(
        book.code,
        f"no value for {of}",
        f"{book.code} gives no bend limit for {of}: add cable.{cable.cable_id}.bend_multiplier from the maker's data.",
    )


def _raceway_bend(cable: Cable, book: RuleBook) -> BendRequirement:
    rule = last_for(book.raceway_bends, cable.method)
    assert rule is not None
    if cable.trade_size is None:
        return _problem(
            rule.cite,
            "no trade size",
            f'cable.{cable.cable_id}.trade_size is missing: {rule.cite} goes by trade size; add one such as "3/4".',
        )
    row = next((row for row in book.raceway_radii if row.key == cable.trade_size), None)
    if row is None:
        known = ", ".join(row.key for row in book.raceway_radii)
        return _problem(
            rule.cite,
            "no such trade size",
            f"cable.{cable.cable_id}.trade_size = {cable.trade_size!r} is not in the table: use one of {known}.",
        )
    diameter = _governing(cable, "overall")
    if diameter.problem is not None:
        return _problem(rule.cite, "no diameter", diameter.problem)
    # the table is on the centre line; half the raceway comes off for the inner edge that bends are compared at
    half = _half_overall(cable, diameter)
    one_shot = rule.column == "one_shot" and cable.bender == "one-shot"
    centre = row.one_shot_m if one_shot else row.other_m
    column = "one-shot and full-shoe bends" if one_shot else "other bends"
    why = f"{both_units(centre)} to the centre line for trade size {row.key}, {column}"
    if rule.column == "one_shot" and cable.bender is None and row.one_shot_m < row.other_m:
        # which bender it will be decides, and nobody said: the wider radius is safe, the smaller may be enough
        return BendRequirement(centre - half, centre, rule.cite, why, None, row.one_shot_m - half, "one-shot")
    return BendRequirement(centre - half, centre, rule.cite, why)


def _concerns(rule: BendRule, cable: Cable) -> bool:
    few = rule.conductors_min is not None and (cable.conductors is None or cable.conductors < rule.conductors_min)
    return cable.method in rule.methods and rule.shielded in (None, cable.shielded) and not few


def _governing(cable: Cable, of: str) -> _Diameter:
    """Return the diameter that a rule multiplies; the two keys name the same thing on a cable without a jacket."""
    sheath, overall = cable.sheath_diameter_m, cable.overall_diameter_m
    key = f"cable.{cable.cable_id}"
    if of == "sheath":
        if sheath is not None:
            return _Diameter(sheath, "over the sheath")
        if overall is None:
            return _missing(
                f"{key}.sheath_diameter is missing: without it no bend can be judged; add it from the cable."
            )
        if cable.jacketed:
            return _missing(
                f"{key}.sheath_diameter is missing: the cable is jacketed, and its rule goes by the metallic sheath "
                "under the jacket; add it from the maker's data."
            )
        return _Diameter(overall, "over the sheath")
    if of == "major":
        axes = [d for d in (sheath, overall, cable.minor_diameter_m) if d is not None]
        if sheath is None and overall is None:
            return _missing(
                f"{key}.overall_diameter is missing: without it no bend can be judged; add it from the cable."
            )
        return _Diameter(max(axes), "over the major axis" if cable.minor_diameter_m is not None else "overall")
    if overall is not None:
        return _Diameter(overall, "overall")
    if sheath is not None:
        return _Diameter(sheath, "overall")
    return _missing(f"{key}.overall_diameter is missing: without it no bend can be judged; add it from the cable.")


def _missing(problem: str) -> _Diameter:
    return _Diameter(0.0, "", problem)


def _half_overall(cable: Cable, diameter: _Diameter) -> float:
    if cable.overall_diameter_m is not None:
        return cable.overall_diameter_m / 2.0
    if cable.sheath_diameter_m is not None:
        return cable.sheath_diameter_m / 2.0
    return diameter.value_m / 2.0


def _in_band(rule: BendRule, diameter_m: float) -> bool:
    over = rule.diameter_over_m is None or diameter_m > rule.diameter_over_m + _BAND_M
    return over and (rule.diameter_max_m is None or diameter_m <= rule.diameter_max_m + _BAND_M)
