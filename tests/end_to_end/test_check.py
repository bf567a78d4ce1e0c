"""The main job on hand-worked cases, through the command line: each limit passes exactly and fails just beyond."""

import json

import pytest

from tests.scratch_project import FACES, call

# a run that nothing is wrong with: 1 m between two boxes, strapped 300 mm from either
FINE = [(0, 0, 3000), (1000, 0, 3000)]
STRAPS = [300, 700]


def test_a_fine_run_passes_with_status_0(scratch) -> None:
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 0, checked.output
    assert checked.run()["verdict"] == "pass"
    assert checked.results["summary"]["violations"] == 0
    assert "an aid" in checked.output.lower()


# --- bends: NEC 330.24(B), 7 x 12.00 mm = 84.00 mm inside, 90.00 mm at the centre line


@pytest.mark.parametrize(("middle_leg", "passes"), [(180.0, True), (179.9, True), (179.0, False)])
def test_two_bends_share_a_leg_of_twice_the_required_set_back(scratch, middle_leg: float, passes: bool) -> None:
    scratch.run([(0, 0, 3000), (500, 0, 3000), (500, middle_leg, 3000), (1000, middle_leg, 3000)], straps=[300, 850])
    checked = scratch.check()
    bends = checked.run()["bends"]
    assert [bend["rule"] for bend in bends] == ["NEC 2023 330.24(B)"] * 2
    assert bends[0]["required_m"] == pytest.approx(0.084)
    assert bends[0]["inner_radius_m"] == pytest.approx((middle_leg / 2 - 6.0) / 1000.0)
    assert bool(checked.findings("bend")) != passes
    assert checked.status == (0 if passes else 1)


def test_a_failing_bend_says_how_much_longer_its_leg_must_be(scratch) -> None:
    scratch.run([(0, 0, 3000), (500, 0, 3000), (500, 150, 3000), (1000, 150, 3000)], straps=STRAPS)
    finding = scratch.check().findings("bend")[0]
    assert finding["measured"] == pytest.approx(0.069)
    assert finding["required"] == pytest.approx(0.084)
    assert "30.0 mm" in finding["remedy"]


def test_a_fold_back_is_a_bend_violation_not_a_crash(scratch) -> None:
    scratch.run([(0, 0, 3000), (500, 0, 3000), (0, 0.0, 3000)], straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 1
    assert checked.findings("bend")


# --- clash and clearance


@pytest.mark.parametrize(("bottom", "overlap_mm"), [(3006.0, None), (3005.95, None), (3005.0, 1.0)])
def test_touching_is_no_clash_and_a_tenth_of_a_millimetre_is_forgiven(scratch, bottom, overlap_mm) -> None:
    scratch.box("M-DUCT", (400, -200, bottom), (600, 200, 3300))
    scratch.role("M-DUCT", "duct")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    found = checked.findings("clash")
    assert checked.status == (1 if overlap_mm else 0), checked.output
    if overlap_mm:
        assert found[0]["measured"] == pytest.approx(-overlap_mm / 1000.0, abs=1e-6)
        # the tube overlaps a level face over its whole width
        assert found[0]["at_m"][0] <= 0.4
        assert found[0]["at_m"][1] >= 0.6
        assert found[0]["other"].startswith("model.dxf:")
    else:
        assert not found


def test_a_centre_line_inside_a_solid_has_a_gap_of_minus_depth_minus_radius(scratch) -> None:
    scratch.box("M-DUCT", (400, -200, 2900), (600, 200, 3200))
    scratch.role("M-DUCT", "duct")
    scratch.run(FINE, straps=STRAPS)
    finding = scratch.check().findings("clash")[0]
    # deepest in the middle of the duct: 100 mm from its sides, top and bottom 200 mm and 100 mm away
    assert finding["measured"] == pytest.approx(-(0.100 + 0.006), abs=1e-4)
    assert finding["at_m"] == pytest.approx([0.394, 0.606], abs=1e-3)


def test_a_run_wholly_inside_a_solid_is_found_though_no_surface_is_near(scratch) -> None:
    scratch.box("M-DUCT", (-1000, -1000, 2000), (2000, 1000, 4000))
    scratch.role("M-DUCT", "duct")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    finding = checked.findings("clash")[0]
    assert finding["measured"] == pytest.approx(-(1.0 + 0.006), abs=1e-4)
    assert finding["at_m"] == pytest.approx([0.0, 1.0])


@pytest.mark.parametrize(("gap", "passes"), [(150.0, True), (149.95, True), (149.0, False)])
def test_a_gap_at_the_clearance_of_its_role_passes(scratch, gap: float, passes: bool) -> None:
    scratch.box("P-HOTW", (-500, 6 + gap, 2900), (1500, 6 + gap + 100, 3100))
    scratch.role("P-HOTW", "hot-pipe")
    scratch.table("[clearance]\nhot-pipe = 150\n")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    found = checked.findings("clearance")
    assert bool(found) != passes
    if found:
        assert found[0]["measured"] == pytest.approx(gap / 1000.0)
        assert found[0]["required"] == pytest.approx(0.150)
        assert found[0]["at_m"] == pytest.approx([0.0, 1.0])
        assert "1.0 mm in -y" in found[0]["remedy"]


def test_two_runs_that_overlap_both_fail_in_one_finding(scratch) -> None:
    scratch.run(FINE, straps=STRAPS)
    scratch.run([(500, -500, 3008), (500, 500, 3008)], "b", straps=STRAPS)
    checked = scratch.check()
    found = checked.findings("clash")
    assert len(found) == 1
    assert {found[0]["run"], found[0]["other"]} == {"a", "b"}
    assert found[0]["measured"] == pytest.approx(-0.004)
    assert {run["verdict"] for run in checked.results["runs"]} == {"fail"}


def test_runs_that_touch_do_not_clash(scratch) -> None:
    scratch.run(FINE, straps=STRAPS)
    scratch.run([(500, -500, 3012), (500, 500, 3012)], "b", straps=STRAPS)
    assert scratch.check().status == 0


def test_a_run_enters_its_own_box_but_no_other(scratch) -> None:
    scratch.box("E-BOX", (-60, -50, 2950), (40, 50, 3050))
    scratch.box("E-BOX", (450, -50, 2950), (550, 50, 3050))
    scratch.role("E-BOX", "box")
    scratch.run(FINE, start=None, straps=STRAPS)
    checked = scratch.check()
    assert checked.run()["start"]["kind"] == "box"
    assert [f["at_m"] for f in checked.findings("clash")] == [pytest.approx([0.444, 0.556], abs=1e-3)]


def test_a_run_may_pass_through_framing_as_a_bored_hole(scratch) -> None:
    scratch.box("S-JOIS", (450, -2000, 2900), (490, 2000, 3200))
    scratch.role("S-JOIS", "framing")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 0, checked.output
    assert [f["severity"] for f in checked.findings("framing")] == ["note"]
    assert checked.findings("framing")[0]["measured"] == pytest.approx(0.094)  # 100 mm to the lower edge, less 6 mm
    assert any(s["kind"] == "framing" and s["at_m"] == pytest.approx(0.47) for s in checked.run()["supports"])


def test_a_run_along_the_inside_of_framing_clashes(scratch) -> None:
    scratch.box("S-JOIS", (200, -20, 2900), (800, 20, 3200))
    scratch.role("S-JOIS", "framing")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 1
    assert checked.findings("clash")


def test_a_run_that_clips_the_edge_of_framing_clashes(scratch) -> None:
    scratch.box("S-JOIS", (450, -2000, 3004), (490, 2000, 3200))
    scratch.role("S-JOIS", "framing")
    scratch.run(FINE, straps=STRAPS)
    assert scratch.check().findings("clash")[0]["measured"] == pytest.approx(-0.002)


def test_a_fire_wall_is_listed_as_a_penetration(scratch) -> None:
    scratch.box("A-WALL-FIRE", (450, -2000, 0), (650, 2000, 4000))
    scratch.role("A-WALL-FIRE", "fire-wall")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    found = checked.findings("penetration")
    assert found[0]["rule"] == "NEC 2023 300.21"
    assert found[0]["severity"] == "caution"
    assert not checked.findings("clash")


# --- what could not be read or is not known


def test_a_solid_that_cannot_be_read_near_a_run_leaves_it_unchecked_with_status_3(scratch) -> None:
    scratch.space.add_spline([(0, 0, 3000), (500, 50, 3000), (1000, 0, 3000)], dxfattribs={"layer": "M-DUCT"})
    scratch.role("M-DUCT", "duct")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 3, checked.output
    assert checked.run()["verdict"] == "unchecked"
    assert checked.results["unread"][0]["kind"] == "SPLINE"
    assert "not read" in checked.output


def test_unread_geometry_far_from_a_run_leaves_the_run_passed_but_not_the_job(scratch) -> None:
    scratch.space.add_line((0, 90000, 3000), (1000, 90000, 3000), dxfattribs={"layer": "M-DUCT"})
    scratch.role("M-DUCT", "duct")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    assert checked.run()["verdict"] == "pass"
    assert checked.status == 3


def test_a_violation_outranks_what_was_not_read(scratch) -> None:
    scratch.space.add_line((0, 90000, 3000), (1000, 90000, 3000), dxfattribs={"layer": "M-DUCT"})
    scratch.run([(0, 0, 3000), (9000, 0, 3000)])
    assert scratch.check().status == 1


def test_a_missing_diameter_is_never_a_pass(scratch) -> None:
    scratch.table('[cable.mc]\nmethod = "mc-interlocked"\nconductors = 3\nsize = "12 AWG"\n')
    scratch.run([(0, 0, 3000), (500, 0, 3000), (500, 500, 3000)], straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 3
    assert checked.run()["verdict"] == "unchecked"
    assert "cable.mc" in checked.output


def test_a_zone_that_is_not_closed_grants_nothing_and_says_so(scratch) -> None:
    scratch.box("Z-CEIL", (-500, -500, 2500), (2500, 500, 3500), faces=FACES[:-1])
    scratch.table('[[zone]]\nname = "lay-in"\nkind = "accessible-ceiling"\nlayer = "Z-*"\n')
    scratch.run([(0, 0, 3000), (1500, 0, 3000)], end="luminaire")
    checked = scratch.check()
    assert checked.run()["verdict"] != "pass"
    assert any("not closed" in f["message"] or "no inside" in f["message"] for f in checked.findings("input"))
    assert all(span["exempt"] is None for span in checked.run()["spans"])


def test_a_file_without_unit_is_refused_and_says_which_key_to_add(scratch) -> None:
    scratch.box("M-DUCT", (0, 0, 0), (1, 1, 1))
    scratch.doc.header["$INSUNITS"] = 0
    scratch.run(FINE)
    checked = scratch.check()
    assert checked.status == 2
    assert 'units = "mm"' in checked.output


def test_a_strap_beyond_the_end_is_refused(scratch) -> None:
    scratch.run(FINE, straps=[300, 5000])
    checked = scratch.check()
    assert checked.status == 2
    assert "run 'a' straps[2]" in checked.output


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda s: s.run(FINE, cable="mcc"), "cable 'mcc' is not defined"),
        (lambda s: (s.run(FINE), s.run(FINE)), "run id 'a' is used twice"),
        (lambda s: s.run([(0, 0, 0), (0, 0, 0)]), "all points of the path are the same point"),
        (lambda s: None, "no run to check"),
        (lambda s: (s.run(FINE), s.table('[[model]]\nfile = "none.dxf"\n')), "'none.dxf' is not there"),
        (lambda s: (s.run(FINE), s.head.append('rules = "nec-1999"')), "nec-1999"),
    ],
)
def test_a_project_that_cannot_be_used_ends_with_status_2_and_one_sentence(scratch, change, said: str) -> None:
    change(scratch)
    checked = scratch.check()
    assert checked.status == 2
    assert said in checked.output
    assert "Traceback" not in checked.output


# --- zones, environment, deck


def zone(kind: str, low: float, high: float, name: str = "z") -> str:
    outline = [[low, -500], [high, -500], [high, 500], [low, 500]]
    return f'[[zone]]\nname = "{name}"\nkind = "{kind}"\noutline = {outline}\nbottom = 2500\ntop = 3500\n'


def test_bare_metal_clad_cable_in_a_wet_zone_is_a_violation(scratch) -> None:
    # NEC 330.10(A)(11)
    scratch.table(zone("wet", 200, 700))
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    finding = checked.findings("environment")[0]
    assert finding["severity"] == "violation"
    assert finding["at_m"] == pytest.approx([0.2, 0.7])
    assert checked.run()["zones"] == [{"zone": "z", "kind": "wet", "from_m": 0.2, "to_m": 0.7}]


@pytest.mark.parametrize(("length", "exempt"), [(1828.8, True), (1854.2, False)])
def test_a_whip_in_an_accessible_ceiling_may_be_six_feet(scratch, length: float, exempt: bool) -> None:
    # NEC 330.30(D)(2), from the fitting at the box
    scratch.table(zone("accessible-ceiling", -500, 4000))
    scratch.run([(0, 0, 3000), (length, 0, 3000)], end="luminaire")
    checked = scratch.check()
    assert checked.status == (0 if exempt else 1), checked.output
    assert any(span["exempt"] == "whip" for span in checked.run()["spans"]) == exempt


@pytest.mark.parametrize(("gap", "passes"), [(38.1, True), (38.0, True), (37.5, False)])
def test_a_run_stays_an_inch_and_a_half_below_the_roof_deck(scratch, gap: float, passes: bool) -> None:
    # NEC 300.4(E)
    scratch.box("S-DECK", (-5000, -5000, 3006 + gap), (5000, 5000, 3100 + gap))
    scratch.role("S-DECK", "deck")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    found = checked.findings("deck")
    assert bool(found) != passes
    if found:
        assert found[0]["measured"] == pytest.approx(gap / 1000.0)


# --- securing


@pytest.mark.parametrize(("span", "passes"), [(1828.8, True), (1828.85, True), (1829.0, False)])
def test_straps_of_metal_clad_cable_may_be_six_feet_apart(scratch, span: float, passes: bool) -> None:
    # NEC 330.30(B)
    scratch.run([(0, 0, 3000), (span + 400, 0, 3000)], straps=[200, 200 + span])
    checked = scratch.check()
    assert checked.status == (0 if passes else 1)


@pytest.mark.parametrize(("first", "passes"), [(304.8, True), (304.85, True), (305.0, False)])
def test_the_first_strap_of_small_metal_clad_cable_is_within_a_foot(scratch, first: float, passes: bool) -> None:
    # NEC 330.30(B)
    scratch.run(FINE, straps=[first, 800])
    assert scratch.check().status == (0 if passes else 1)


def test_only_some_checks_may_be_asked_for_and_the_rest_is_said(scratch) -> None:
    scratch.run([(0, 0, 3000), (9000, 0, 3000)])
    checked = scratch.check("--only", "bend,clash")
    assert checked.status == 0
    assert "not checked, as asked: clearance, securing" in checked.output


def test_results_are_the_same_twice(scratch) -> None:
    scratch.box("M-DUCT", (400, -200, 2900), (600, 200, 3200))
    scratch.run(FINE)
    first = scratch.check().results
    call("check", str(scratch.folder), "--json", str(scratch.folder / "again.json"))
    second = json.loads((scratch.folder / "again.json").read_text())
    del first["made"], second["made"]
    assert first == second


def test_an_unknown_run_names_the_nearest(scratch) -> None:
    scratch.run(FINE, "L1-LTG-04", straps=STRAPS)
    scratch.write()
    status, output = call("check", str(scratch.folder), "--run", "L1-LTG-4")
    assert status == 2
    assert "L1-LTG-04" in output


def test_a_run_inside_a_duct_drawn_without_ends_clashes(scratch) -> None:
    scratch.box("M-DUCT", (-1000, -300, 2800), (2000, 300, 3200), faces=FACES[:2] + FACES[2::2])
    scratch.role("M-DUCT", "duct")
    scratch.run(FINE, straps=STRAPS)
    checked = scratch.check()
    assert checked.status == 1
    assert checked.findings("clash")[0]["measured"] == pytest.approx(-0.206, abs=1e-4)
    assert "closed flat" in checked.output


def test_a_run_inside_a_shell_that_cannot_be_closed_is_not_passed(scratch) -> None:
    # a trough without one end: its rim is not flat
    scratch.box("M-DUCT", (-1000, -300, 2800), (2000, 300, 3400), faces=FACES[:1] + FACES[2:3] + FACES[3:5])
    scratch.role("M-DUCT", "duct")
    scratch.run([(0, 0, 2900), (1000, 0, 2900)], straps=STRAPS)
    checked = scratch.check()
    assert checked.run()["verdict"] == "unchecked"
    assert any("do not close" in f["message"] for f in checked.findings("input"))


def test_a_strap_without_structure_in_reach_is_a_caution(scratch) -> None:
    scratch.box("S-BEAM", (250, -100, 3106), (350, 100, 3300))
    scratch.role("S-BEAM", "structure")
    scratch.run(FINE, straps=STRAPS)
    found = scratch.check().findings("securing")
    assert [(f["severity"], f["at_m"]) for f in found] == [("caution", [0.7, 0.7])]
