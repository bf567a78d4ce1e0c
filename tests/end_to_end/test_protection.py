"""Framing, plates, materials, fire-stops, fittings and cover through the project file and the command line."""

import pytest

from tests.scratch_project import call

RUN = [(0, 0, 0), (1000, 0, 0)]
STRAPS = [300, 700]
EDGE = 31.75  # NEC 300.4(A)(1): 1-1/4 in
R = 6.0


def joist(scratch, gap: float, layer: str = "S-JOIS") -> None:
    """Across the run at its middle, the rim of the hole so far from the lower edge."""
    scratch.box(layer, (480, -1000, -R - gap), (520, 1000, 200))
    scratch.role(layer, "framing")
    scratch.table(f'[framing]\n"{layer}" = "wood"\n')


@pytest.mark.parametrize(("gap", "status"), [(EDGE, 0), (EDGE - 0.05, 0), (EDGE - 1.0, 1)])
def test_a_hole_too_near_the_edge_is_a_violation(scratch, gap: float, status: int) -> None:
    joist(scratch, gap)
    scratch.run(RUN, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == status, checked.output
    found = checked.findings("framing")
    assert [f["rule"] for f in found] == ["NEC 2023 300.4(A)(1)"]
    assert found[0]["measured"] == pytest.approx(gap / 1000.0, abs=1e-6)
    assert found[0]["required"] == pytest.approx(EDGE / 1000.0)


def test_a_plate_stated_by_the_run_relieves_it(scratch) -> None:
    joist(scratch, 20.0)
    scratch.run(RUN, straps=STRAPS, plates=[[470, 530]])
    checked = scratch.check()
    assert checked.status == 0, checked.output
    assert "behind steel plates" in checked.findings("framing")[0]["message"]


def test_a_plate_drawn_on_the_edge_relieves_it(scratch) -> None:
    joist(scratch, 20.0)
    scratch.box("S-PLAT", (480, -40, -28), (520, 40, -26))
    scratch.role("S-PLAT", "plate")
    scratch.run(RUN, straps=STRAPS)
    assert scratch.check().status == 0


def test_framing_said_to_be_metal_asks_no_distance(scratch) -> None:
    scratch.box("S-STUD", (480, -1000, -26), (520, 1000, 200))
    scratch.role("S-STUD", "framing")
    scratch.table('[framing]\n"S-*" = "metal"\n')
    scratch.run(RUN, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 0
    assert "metal" in checked.findings("framing")[0]["message"]


def test_a_pattern_of_framing_that_matches_nothing_is_told(scratch) -> None:
    joist(scratch, 100.0)
    scratch.tables[-1] = '[framing]\n"S-JOIST" = "wood"\n'
    scratch.run(RUN, straps=STRAPS)
    assert "[framing] patterns that match no layer of framing: S-JOIST" in scratch.check().output


def test_a_wider_bore_and_concrete_on_the_deck_are_settings(scratch) -> None:
    joist(scratch, EDGE)
    scratch.box("S-DECK", (-500, -500, 216), (1500, 500, 260))
    scratch.role("S-DECK", "deck")
    scratch.run([(0, 0, 0), (1000, 0, 0)], straps=STRAPS)
    scratch.run([(0, 300, 190), (400, 300, 190)], "b", straps=[200])
    scratch.table("[settings]\nhole_allowance = 4\ndeck_slab = 50.8\n")
    checked = scratch.check()
    assert [f["run"] for f in checked.violations()] == ["a"]
    assert checked.violations()[0]["measured"] == pytest.approx(EDGE / 1000.0 - 0.002)


def test_stated_fire_stops_make_a_missing_one_a_violation(scratch) -> None:
    scratch.box("A-FIRE", (450, -2000, -2000), (650, 2000, 2000))
    scratch.role("A-FIRE", "fire-wall")
    scratch.run(RUN, straps=STRAPS)
    scratch.run([(0, 500, 0), (1000, 500, 0)], "b", straps=STRAPS)
    scratch.table('[[firestop]]\nrun = "b"\nsystem = "W-L-0001"\nat = 550\n')
    checked = scratch.check()
    severities = {f["run"]: f["severity"] for f in checked.findings("penetration")}
    assert severities == {"a": "violation", "b": "note"}
    assert checked.status == 1


def test_a_fire_stop_of_an_unknown_run_names_the_nearest(scratch) -> None:
    scratch.run(RUN, "L1-LTG-04", straps=STRAPS)
    scratch.table('[[firestop]]\nrun = "L1-LTG-4"\nsystem = "x"\n')
    checked = scratch.check()
    assert checked.status == 2
    assert "firestop[1] run" in checked.output and "L1-LTG-04" in checked.output


def test_a_dry_fitting_in_the_wet_is_a_violation(scratch) -> None:
    scratch.table(
        '[cable.mc]\nmethod = "mc-interlocked"\nsheath_diameter = 12\noverall_diameter = 14\nconductors = 3\n'
        'size = "12 AWG"\njacketed = true\nwet_rated = true\nfitting = "dry"\n'
        '[[zone]]\nname = "yard"\nkind = "wet"\noutline = [[700, -500], [2000, -500], [2000, 500], [700, 500]]\n'
        "bottom = -500\ntop = 500\n"
    )
    scratch.run(RUN, straps=STRAPS)
    checked = scratch.check()
    assert [(f["rule"], f["at_m"]) for f in checked.violations()] == [("NEC 2023 314.15", [1.0, 1.0])]


def test_cover_is_read_from_a_buried_zone_in_the_files_own_unit(scratch) -> None:
    scratch.head.append('units = "in"')
    scratch.table(
        '[cable.uf]\nmethod = "uf"\noverall_diameter = 0.5\nconductors = 3\nsize = "12 AWG"\n'
        '[[zone]]\nname = "yard"\nkind = "buried"\nlocation = "driveway"\n'
        "outline = [[-100, -100], [200, -100], [200, 100], [-100, 100]]\nbottom = -60\ntop = 0\n"
    )
    scratch.run([(0, 0, -18.25), (100, 0, -18.25)], "deep", "uf", straps=[10, 50, 90])
    scratch.run([(0, 20, -17.25), (100, 20, -17.25)], "shallow", "uf", straps=[10, 50, 90])
    checked = scratch.check()
    assert [(f["run"], f["rule"]) for f in checked.violations()] == [("shallow", "NEC 2023 Table 300.5")]
    assert checked.violations()[0]["measured"] == pytest.approx(17 * 0.0254)


def test_a_strap_on_a_duct_only_is_refused(scratch) -> None:
    scratch.box("M-DUCT", (200, 20, -100), (800, 300, 100))
    scratch.role("M-DUCT", "duct")
    scratch.box("S-SLAB", (-500, -500, 2000), (1500, 500, 2200))
    scratch.role("S-SLAB", "structure")
    scratch.run(RUN, straps=[300])
    checked = scratch.check()
    assert {f["rule"] for f in checked.violations()} == {"NEC 2023 300.11(A)", "NEC 2023 330.30(B)"}


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[framing]\n"S-*" = "timber"\n', "'timber' is not one of wood, metal"),
        ('[[zone]]\nname = "z"\nkind = "wet"\nstairs = true\nlayer = "Z"\n', "'stairs' belongs to kind \"attic\" only"),
        ('[[zone]]\nname = "z"\nkind = "buried"\nlocation = "garden"\nlayer = "Z"\n', "'garden' is not one of general"),
        ('[[zone]]\nname = "z"\nkind = "attic"\nmoves_air = true\nlayer = "Z"\n', "'moves_air' belongs to kind"),
    ],
)
def test_a_wrong_key_says_what_is_known(scratch, table: str, said: str) -> None:
    scratch.run(RUN, straps=STRAPS)
    scratch.table(table)
    checked = scratch.check()
    assert checked.status == 2
    assert said in checked.output.replace("\n", " ")


def test_plates_that_go_backwards_are_refused(scratch) -> None:
    scratch.run(RUN, straps=STRAPS, plates=[[500, 400]])
    checked = scratch.check()
    assert checked.status == 2
    assert "a stretch goes from a smaller to a larger distance" in checked.output.replace("\n", " ")


@pytest.mark.parametrize(("name", "status"), [("nec-2023", 0), ("nec-2026", 1)])
def test_a_rigid_raceway_under_a_metal_roof_deck_is_relieved_in_one_edition(scratch, name: str, status: int) -> None:
    # NEC 300.4(E) of 2023; 300.6(E) of 2026 is for all wiring
    scratch.head.append(f'rules = "{name}"')
    scratch.table('[cable.rmc]\nmethod = "rmc"\noverall_diameter = 21\ntrade_size = "1/2"\n')
    scratch.box("S-DECK", (-500, -500, 20), (1500, 500, 60))
    scratch.role("S-DECK", "deck")
    scratch.run(RUN, cable="rmc", straps=STRAPS)
    assert scratch.check().status == status


def test_the_rules_behind_all_this_are_in_the_book() -> None:
    status, output = call("rules", "300.4")
    assert status == 0
    assert "300.4(A)(2)" in output
