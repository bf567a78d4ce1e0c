import re
from typing import Any

import numpy as np
import pytest

from route3d.model.element import Element
from route3d.model.finding import Finding
from tests.builders import IN, cable
from tests.buildings import block, element, found, profile, review, run, turned, volume

OD = 0.012
R = OD / 2
EDGE = 1.25 * IN  # NEC 300.4(A)(1), (D)
JOIST = ((-0.019, -4.0, 0.0), (0.019, 4.0, 0.286))


def joist(**more: Any) -> Element:
    return element("framing", block(*JOIST), **{"material": "wood", **more})


def through(z: float, parts: list[Element], **more: Any) -> list[Finding]:
    of_the_run = {key: more.pop(key) for key in ("plates_m", "grommets") if key in more}
    line = run((-0.5, 0, z), (0.5, 0, z), **of_the_run)
    return found(review([line], parts, checks=["framing"], **more), "framing")


# --- bored holes ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gap", "fails"), [(EDGE, False), (EDGE - 0.00005, False), (EDGE - 0.001, True)])
@pytest.mark.parametrize("upper", [False, True])
def test_a_hole_at_its_limit_passes_from_either_edge(gap: float, fails: bool, upper: bool) -> None:
    z = gap + R
    findings = through(0.286 - z if upper else z, [joist()])
    assert [f.severity for f in findings] == ["violation" if fails else "note"]
    assert findings[0].measured == pytest.approx(gap, abs=1e-9)
    assert findings[0].required == pytest.approx(EDGE)
    assert findings[0].rule == "NEC 2023 300.4(A)(1)"


def test_an_unsafe_hole_says_where_to_move_it_and_how_long_a_plate_must_be() -> None:
    finding = through(0.030, [joist()])[0]
    assert finding.measured == pytest.approx(0.024)
    assert re.search(r"Move the hole 7\.[78] mm up", finding.remedy)  # 7.75 mm
    assert "at least 12.0 mm (1/2 in) long" in finding.remedy
    assert finding.at_m == pytest.approx((0.481, 0.519))


def test_a_hole_bored_wider_than_its_cable_is_nearer_to_the_edge() -> None:
    assert through(EDGE + R, [joist()])[0].severity == "note"
    finding = through(EDGE + R, [joist()], hole_allowance_m=0.006)[0]
    assert finding.severity == "violation"
    assert finding.measured == pytest.approx(EDGE - 0.003)
    assert "18.0 mm" in finding.message and "6.0 mm (1/4 in) wider than the cable" in finding.message


def test_a_member_too_narrow_for_any_hole_asks_for_plates_on_both_edges() -> None:
    plate_2x2 = element("framing", block((-0.019, -2, 0), (0.019, 2, 0.038)), material="wood")
    finding = through(0.019, [plate_2x2])[0]
    assert finding.severity == "violation"
    assert "only 38.0 mm" in finding.remedy and "2 edges" in finding.remedy


def test_a_hole_that_breaks_through_the_edge_is_a_notch() -> None:
    # NEC 300.4(A)(2); 300.6(A)(2) in 2026
    finding = through(0.004, [joist()])[0]
    assert (finding.severity, finding.rule) == ("violation", "NEC 2023 300.4(A)(2)")
    assert finding.measured == pytest.approx(-0.002)
    assert through(0.004, [joist()], rules="nec-2026")[0].rule == "NEC 2026 300.6(A)(2)"


def test_many_holes_alike_are_one_finding_with_the_worst_number() -> None:
    joists = [element("framing", block((x, -1, -0.03 - 0.002 * k), (x + 0.038, 1, 0.2)), f"j{k}", material="wood")
              for k, x in enumerate(np.arange(0.2, 4.0, 0.4064))]  # fmt: skip
    findings = found(review([run((0, 0, 0), (4, 0, 0))], joists, checks=["framing"]), "framing")
    near = [f for f in findings if f.severity == "violation"]
    assert len(near) == 1
    assert near[0].measured == pytest.approx(0.024)
    assert "So do 3 more" in near[0].message  # 24, 26, 28, 30 mm; from 32 mm on it passes
    assert [f.severity for f in findings] == ["violation", "note"]


@pytest.mark.parametrize("method", ["emt", "rmc", "imc", "pvc"])
def test_rigid_raceways_are_relieved(method: str) -> None:
    findings = through(0.020, [joist()], of=cable(method, trade_size="1/2"))
    assert [f.severity for f in findings] == ["note"]
    assert "relieved" in findings[0].message


def test_framing_of_unknown_material_counts_as_wood_and_says_so() -> None:
    finding = through(0.020, [joist(material=None)])[0]
    assert finding.severity == "violation"
    assert "counts as wood" in finding.message
    assert "counts as wood" not in through(0.020, [joist()])[0].message


def test_metal_framing_asks_no_distance_of_metal_clad_cable() -> None:
    assert [f.severity for f in through(0.020, [joist(material="metal")])] == ["note"]


@pytest.mark.parametrize(("grommets", "severity"), [(None, "caution"), (False, "violation"), (True, None)])
def test_nonmetallic_cable_through_metal_needs_grommets(grommets: bool | None, severity: str | None) -> None:
    # NEC 300.4(B)(1)
    findings = through(0.1, [joist(material="metal")], of=cable("nm"), grommets=grommets, occupancy="dwelling")
    assert [f.severity for f in findings] == ([severity] if severity else [])
    assert all(f.rule == "NEC 2023 300.4(B)(1)" for f in findings)


def test_a_mouth_without_a_flat_face_is_said_and_not_passed() -> None:
    # an open bent sheet, crossed where it is rounded: no closed outline is in its plane
    angle = np.linspace(0, np.pi, 40)
    ring = np.stack([0.05 * np.cos(angle), np.zeros(40), 0.05 * np.sin(angle)], axis=1)
    quads = [(ring[k], ring[k + 1], ring[k + 1] + [0, 1e-4, 0]) for k in range(39)]
    wire = element("framing", np.array(quads), closed=False)
    findings = through(0.02, [wire])
    assert all(f.severity in ("violation", "caution") for f in findings)


# --- plates ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("plate", "covers"), [((0.481, 0.519), True), ((0.45, 0.55), True), ((0.49, 0.55), False)])
def test_a_stated_plate_must_cover_the_whole_hole(plate: tuple[float, float], covers: bool) -> None:
    findings = through(0.020, [joist()], plates_m=(plate,))
    assert [f.severity for f in findings] == (["note"] if covers else ["violation"])
    assert not covers or "behind steel plates" in findings[0].message


@pytest.mark.parametrize(
    ("low", "high", "covers"),
    [
        ((-0.019, -0.03, -0.0016), (0.019, 0.03, 0.0), True),  # on the lower edge, 60 mm long
        ((-0.019, -0.004, -0.0016), (0.019, 0.03, 0.0), False),  # begins inside the hole's width of 12 mm
        ((-0.019, -0.03, 0.286), (0.019, 0.03, 0.2876), False),  # on the other edge
    ],
)
def test_a_drawn_plate_must_be_on_that_edge_and_long_enough(low: Any, high: Any, covers: bool) -> None:
    findings = through(0.020, [joist(), element("plate", block(low, high))])
    assert [f.severity for f in findings] == (["note"] if covers else ["violation"])


def test_a_plate_drawn_as_a_symbol_counts_by_its_place() -> None:
    mark = np.array([[[0, 0, -0.001]] * 3], dtype=float)
    assert [f.severity for f in through(0.020, [joist(), element("plate", mark, closed=False)])] == ["note"]


# --- along framing: NEC 300.4(D) ------------------------------------------------------------------------------------


def beside(depth: float, *, slant: float = 0.0, zones: Any = (), **more: Any) -> list[Finding]:
    """Along the side of a stud of 2.4 m that stands at the origin; its front edge is y = 0."""
    stud = element("framing", block((-0.019, -0.089, 0), (0.019, 0, 2.4)), material="wood")
    keys = {k: more.pop(k) for k in ("plates_m", "straps_at_m") if k in more}
    line = run((0.019 + R, -depth, 0.3), (0.019 + R + slant, -depth, 2.1), **keys)
    return found(review([line], [stud], zones, checks=["framing"], **more), "framing")


def closed(finished: bool = False) -> Any:
    return [volume("inaccessible", (-1, -0.3, 0), (1, 0.1, 2.4), finished=finished)]


def test_along_a_stud_in_a_closed_wall_is_a_violation_with_the_exact_stretch() -> None:
    finding = beside(0.020, zones=closed())[0]
    assert (finding.severity, finding.rule) == ("violation", "NEC 2023 300.4(D)")
    assert finding.measured == pytest.approx(np.hypot(0.020, R) - R)
    assert finding.at_m == pytest.approx((0.0, 1.8))


def test_deep_enough_along_a_stud_is_silent() -> None:
    # a 2 x 4 is 89 mm deep: 44.5 mm from either face
    assert not beside(0.0445, zones=closed())


def test_where_it_is_exposed_it_is_a_caution_and_above_a_lay_in_ceiling_nothing() -> None:
    assert [f.severity for f in beside(0.020)] == ["caution"]
    assert not beside(0.020, zones=[volume("accessible-ceiling", (-1, -1, 0), (1, 1, 3))])


def test_a_strap_inside_a_finished_wall_means_that_it_was_not_fished() -> None:
    held = beside(0.020, zones=closed(finished=True))
    free = beside(0.020, zones=closed(finished=True), straps_at_m=())
    assert [f.severity for f in held] == ["violation"]
    assert [f.severity for f in free] == ["note"]
    assert "fished" in free[0].message


def test_plates_along_it_relieve_only_where_they_are() -> None:
    assert not beside(0.020, zones=closed(), plates_m=((0.0, 1.8),))
    finding = beside(0.020, zones=closed(), plates_m=((0.0, 1.0),))[0]
    assert finding.at_m == pytest.approx((1.0, 1.8))


@pytest.mark.parametrize(("degrees", "along"), [(4.0, True), (6.0, False)])
def test_only_within_five_degrees_of_its_axis_a_run_is_along_a_member(degrees: float, along: bool) -> None:
    findings = beside(0.0, slant=1.8 * np.tan(np.radians(degrees)), zones=closed())
    assert bool(findings) == along


def test_beside_framing_of_no_one_shape_it_is_said_that_nothing_was_judged() -> None:
    lattice = np.concatenate([block((-0.019, -0.089, 0), (0.019, 0, 2.4)), block((0.0, -0.089, 1.1), (2.0, 0, 1.3))])
    lattice_as_one = element("framing", lattice)
    line = run((0.019 + R, -0.020, 0.1), (0.019 + R, -0.020, 1.0))
    zones = [volume("inaccessible", (-1, -0.3, 0), (3, 0.1, 2.4), finished=False)]
    # two bodies that share no corner are still two members
    assert [f.severity for f in found(review([line], [lattice_as_one], zones, checks=["framing"]), "framing")] == [
        "violation"
    ]
    knot = profile([(0, 0), (0.4, 0), (0.4, 0.05), (0.05, 0.4), (0, 0.4)], 0.6)
    block_like = element("framing", turned(knot, (0, 1, 0), -90.0))
    line = run((-0.3 - R, 0.05, 0.05), (-0.3 - R, 0.05, 0.55))
    assert not found(review([line], [block_like], checks=["framing"]), "framing")


# --- attics ---------------------------------------------------------------------------------------------------------


def attic_run(*, along: bool = False, height: float = R, hatch: bool = True, stairs: bool = False, **keys: Any):
    joists = [element("framing", block((x, -4, -0.24), (x + 0.038, 4, 0)), f"j{k}")
              for k, x in enumerate(np.arange(0.2, 4.0, 0.4064))]  # fmt: skip
    panel = [element("access-panel", block((1.0, 0.5, -0.02), (1.6, 1.1, 0.02)))] if hatch else []
    line = (
        run((0.219, -2, height), (0.219, 2, height), **keys) if along else run((0, 0, height), (4, 0, height), **keys)
    )
    zone = volume("attic", (-5, -5, -0.01), (5, 5, 4), stairs=stairs)
    return found(review([line], [*joists, *panel], [zone], checks=["framing"]), "framing")


def test_across_joists_near_the_hatch_of_an_attic_guards_are_needed() -> None:
    finding = attic_run()[0]
    assert (finding.severity, finding.rule) == ("violation", "NEC 2023 330.23")
    assert finding.measured == pytest.approx(0.5 - R, abs=1e-4)
    assert finding.required == pytest.approx(1.8288)


def test_guards_relieve_where_they_are_stated() -> None:
    assert not attic_run(guards_m=((0.0, 4.0),))
    assert attic_run(guards_m=((0.0, 1.0),))[0].at_m[0] == pytest.approx(1.0)


def test_along_the_joist_no_guard_is_needed() -> None:
    assert not [f for f in attic_run(along=True) if f.rule.endswith("330.23")]


def test_an_attic_whose_hatch_is_not_drawn_cannot_be_judged() -> None:
    findings = attic_run(hatch=False)
    assert [(f.severity, f.unchecked) for f in findings] == [("caution", True)]


def test_stairs_ask_for_guards_everywhere_and_up_to_seven_feet() -> None:
    assert attic_run(hatch=False, stairs=True)[0].at_m == pytest.approx((0.05, 4.0), abs=0.2)
    rafters = [element("framing", block((x, 0.02, 0), (x + 0.038, 0.2, 4)), f"r{k}")
               for k, x in enumerate(np.arange(0.2, 4.0, 0.4064))]  # fmt: skip
    zone = volume("attic", (-5, -5, 0), (5, 5, 4), stairs=True)
    for z, needed in ((2.1, True), (2.2, False)):  # 7 ft is 2.1336 m
        findings = found(review([run((0, 0, z), (4, 0, z))], rafters, [zone], checks=["framing"]), "framing")
        assert bool(findings) == needed
