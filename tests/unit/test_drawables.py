"""What is drawn: exact tubes, one marker a finding, one shape a check, colours that colour-blind people can tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from route3d import drawables
from route3d.kernel import shapes, symbols
from route3d.kernel.path import arc_piece, path_length, points_at, straight_piece
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import CHECKS, SEVERITIES, Finding, Review, RunReview
from route3d.model.job import Job, Settings
from route3d.model.run import FittedRun, Run
from route3d.model.support import Attachment, Support, Termination
from route3d.model.zone import Zone

RADIUS_M = 0.00575


def bent_pieces(shift=(0.0, 0.0, 0.0)):
    """1 m along x, a quarter arc of 0.1 m to the left, 1 m along y."""
    shift = np.asarray(shift, dtype=float)
    first = straight_piece(shift, shift + np.array([1.0, 0, 0]), 0.0)
    centre = shift + np.array([1.0, 0.1, 0])
    arc = arc_piece(centre, np.array([0, -1.0, 0]), np.array([1.0, 0, 0]), 0.1, np.pi / 2, 1.0)
    start = centre + np.array([0.1, 0, 0])
    last = straight_piece(start, start + np.array([0, 1.0, 0]), 1.0 + 0.1 * np.pi / 2)
    return np.array([first, arc, last])


def judged(verdict="fail", shift=(0.0, 0.0, 0.0), supports=(), end="luminaire"):
    shift = np.asarray(shift, dtype=float)
    corners = np.array([[0, 0, 0], [1.1, 0, 0], [1.1, 1.1, 0]]) + shift
    fitted = FittedRun(Run("R1", "mc", corners), bent_pieces(shift), ())
    return RunReview(fitted, Attachment(Termination("box", None), Termination(end, None), tuple(supports)), verdict)


def finding(check="clash", severity="violation", point=(1.0, 0.0, 0.0), name="f1"):
    return Finding(check, severity, "R1", "rule", "m", "r", None, (1.0, 1.0), point, -0.01, 0.0, "m", False, name)


def job_of(elements=(), zones=(), cable_m=2 * RADIUS_M):
    cables = {"mc": Cable("mc", "mc-interlocked", cable_m, cable_m)}
    return Job("demo", "other", (), cables, (), tuple(elements), tuple(zones), {}, Settings())


def review_of(runs=(), findings=(), unread=()):
    return Review("demo", "nec-2023", "", tuple(runs), tuple(findings), (), tuple(unread))


def box_element(role, low, high, name="a:1"):
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    points, faces = shapes.box((high - low) / 2, (high + low) / 2)
    return Element(name, role, role.upper(), "MESH", points[faces], True)


def test_every_point_of_a_tube_is_at_its_radius_from_the_true_centre_line():
    points, _, triangles = shapes.tube(bent_pieces(), RADIUS_M, tolerance=1e-5)
    centre = np.array([1.0, 0.1, 0.0])
    x, y, z = points.T
    straight_1 = np.where(x <= 1.0 + 1e-12, np.hypot(y, z), np.inf)
    straight_2 = np.where(y >= 0.1 - 1e-12, np.hypot(x - 1.1, z), np.inf)
    arc = np.hypot(np.hypot(x - centre[0], y - centre[1]) - 0.1, z)
    distance = np.minimum(np.minimum(straight_1, straight_2), np.where((x >= 1.0) & (y <= 0.1), arc, np.inf))
    caps = distance < RADIUS_M / 2  # the middles of both ends
    assert caps.sum() == 2
    assert np.abs(distance[~caps] - RADIUS_M).max() < 1e-12
    assert triangles.max() == len(points) - 1


def test_a_tube_encloses_the_volume_of_pappus_theorem():
    points, _, triangles = shapes.tube(bent_pieces(), RADIUS_M, sides=256, tolerance=1e-7)
    # cross-section times the length of the centre line (Pappus), for straight and bent parts alike
    expected = np.pi * RADIUS_M**2 * path_length(bent_pieces())
    volume = trimesh.Trimesh(points, triangles).volume
    assert volume == pytest.approx(expected, rel=3e-4)  # 256 sides lose 1e-4 of the circle


def test_a_path_cut_out_of_a_bend_follows_the_same_arc():
    pieces = bent_pieces()
    part = shapes.cut_path(pieces, 1.03, 1.5)
    at = np.linspace(1.03, 1.5, 50)
    assert np.allclose(points_at(part, at), points_at(pieces, at), atol=1e-12)
    assert path_length(part) == pytest.approx(1.5)


@pytest.mark.parametrize("check", CHECKS)
def test_marker_shapes_are_closed_solids_of_their_own(check):
    points, triangles = symbols.MARKER_SHAPES[check]()
    mesh = trimesh.Trimesh(points, triangles, process=True)
    assert mesh.is_watertight
    assert mesh.volume > 0.0  # faces turn outwards
    assert np.linalg.norm(points, axis=1).max() < 1.5
    others = [symbols.MARKER_SHAPES[other]() for other in CHECKS if other != check]
    assert all(p.shape != points.shape or not np.allclose(p, points) for p, _ in others)


def test_there_is_one_marker_for_each_finding_that_has_a_place():
    findings = [finding(check, severity, name=f"{check}-{severity}") for check in CHECKS for severity in SEVERITIES]
    findings.append(finding("input", "note", None, "no place"))
    made = drawables.markers(findings, np.zeros(3), 0.1)
    assert [one.name for one in made] == [f.finding_id for f in findings[:-1]]
    for one, source in zip(made, findings, strict=False):
        assert one.colour == drawables.SEVERITY_COLOURS[source.severity]
        assert np.linalg.norm(one.points_m.mean(axis=0) - source.point_m) < 0.1


def test_worse_findings_have_larger_markers():
    sizes = [np.ptp(drawables.marker(finding("clash", s), np.zeros(3), 0.1).points_m, axis=0).max() for s in SEVERITIES]
    assert sizes == sorted(sizes, reverse=True)
    assert len(set(np.round(sizes, 9))) == 3


def test_strong_colours_are_those_that_okabe_and_ito_published():
    # sRGB values of the table in Okabe and Ito, "Color Universal Design" (2002, revised 2008)
    published = {(0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66), (0, 114, 178), (213, 94, 0)}
    published.add((204, 121, 167))
    assert set(drawables.OKABE_ITO.values()) == published
    strong = [drawables.VERDICT_COLOURS, drawables.SEVERITY_COLOURS, drawables.ZONE_COLOURS]
    assert all(set(colours.values()) <= published for colours in strong)
    assert all(len(set(colours.values())) == len(colours) for colours in strong[:2])
    # more kinds of zone than colours: a duct is as a plenum, an attic as a ceiling that one can reach
    kin = {"duct", "attic"}
    distinct = [colour for kind, colour in drawables.ZONE_COLOURS.items() if kind not in kin]
    assert len(set(distinct)) == len(distinct)


def test_verdicts_differ_by_pattern_as_well_as_by_colour():
    passed, failed, unchecked = (
        drawables.run_tube(judged(v), np.zeros(3), RADIUS_M) for v in ("pass", "fail", "unchecked")
    )
    parts = [trimesh.Trimesh(d.points_m, d.triangles).area for d in (passed, failed, unchecked)]
    assert parts[1] > parts[0] > parts[2]  # rings add surface, gaps take it away
    assert unchecked.points_m[:, 0].min() == pytest.approx(0.0)
    assert unchecked.points_m[:, 1].max() == pytest.approx(1.1)  # dashes reach both ends


def test_no_ring_stands_where_the_run_is_to_be_seen_bare():
    ringed = drawables.run_tube(judged("fail"), np.zeros(3), RADIUS_M)
    bare = drawables.run_tube(judged("fail"), np.zeros(3), RADIUS_M, bare_m=(-1.0, 10.0))
    plain = drawables.run_tube(judged("pass"), np.zeros(3), RADIUS_M)
    assert len(ringed.triangles) > len(bare.triangles) == len(plain.triangles)


def test_survey_coordinates_lose_nothing():
    far = np.array([512_345.0, 5_412_345.0, 123.0])
    near = drawables.run_tube(judged(), np.zeros(3), RADIUS_M)
    moved = drawables.run_tube(judged(shift=far), far, RADIUS_M)
    # float64 steps at 5.4e6 m are 1e-9 m
    assert np.abs(near.points_m - moved.points_m).max() < 3e-9


def test_a_stray_element_far_away_does_not_move_the_origin():
    job = job_of(
        [box_element("duct", (0, 0, 0), (1, 1, 1)), box_element("obstacle", (9e5, 0, 0), (9.1e5, 1, 1), "a:2")]
    )
    review = review_of([judged()], [finding()])
    assert np.abs(drawables.origin_of(job, review)).max() <= 1.0
    within = drawables.extent_m(job, review) + np.array([[-2.0], [2.0]])
    assert [d.name for d in drawables.building(job, np.zeros(3), within_m=within)] == ["duct"]


def test_one_mesh_a_role_and_each_face_names_its_element():
    elements = [
        box_element("duct", (0, 0, 0), (1, 1, 1), "a:1"),
        box_element("pipe", (2, 0, 0), (3, 1, 1), "a:2"),
        box_element("duct", (4, 0, 0), (5, 1, 1), "a:3"),
        box_element("ignore", (6, 0, 0), (7, 1, 1), "a:4"),
    ]
    meshes = {d.name: d for d in drawables.building(job_of(elements), np.zeros(3))}
    assert set(meshes) == {"duct", "pipe"}
    duct = meshes["duct"]
    assert sorted(set(duct.owners.tolist())) == [0, 2]
    middle = duct.points_m[duct.triangles].mean(axis=1)[:, 0]
    assert ((middle > 3.0) == (duct.owners == 2)).all()
    assert len(duct.edges_m) == 24  # twelve edges a box, no diagonal


def test_enclosing_surfaces_and_what_is_overhead_are_seen_through():
    elements = [
        box_element("wall", (0, 0, 0), (1, 1, 1), "a:1"),
        box_element("structure", (0, 0, 5), (1, 1, 6), "a:2"),
        box_element("structure", (0, 0, 0), (1, 1, 1), "a:3"),
    ]
    meshes = drawables.building(job_of(elements), np.zeros(3), overhead_m=4.0)
    opacity = {(d.name, int(d.owners[0])): d.opacity for d in meshes}
    assert opacity[("wall", 0)] < 0.5
    assert opacity[("structure", 1)] < 0.5
    assert opacity[("structure", 2)] == 1.0


def test_what_a_picture_is_about_is_never_left_out():
    job = job_of([box_element("deck", (0, 0, 0), (1, 1, 1))])
    assert drawables.building(job, np.zeros(3), leave_out=frozenset({"deck"})) == ()
    (deck,) = drawables.building(job, np.zeros(3), leave_out=frozenset({"deck"}), solid=frozenset({0}))
    assert deck.opacity > 0.5


def test_a_box_drawn_as_a_symbol_still_has_a_mark():
    symbol = Element("a:1", "box", "E-BOX", "POINT", np.full((1, 3, 3), 2.0), False)
    (mark,) = drawables.building(job_of([symbol]), np.zeros(3))
    assert np.allclose(mark.points_m.mean(axis=0), 2.0)
    assert np.ptp(mark.points_m, axis=0).min() > 0.0


def test_straps_and_hangers_have_different_shapes():
    strap = drawables.support_marks(judged(supports=[Support(0.5, "strap", True, "s")]), np.zeros(3), RADIUS_M)
    hanger = drawables.support_marks(judged(supports=[Support(0.5, "hanger", False, "s")]), np.zeros(3), RADIUS_M)
    assert len(strap.triangles) != len(hanger.triangles)
    assert np.allclose(strap.points_m.mean(axis=0), [0.5, 0, 0])


def test_zones_have_edges_and_an_unclosed_part_is_drawn_as_lines():
    points, faces = shapes.box((1, 1, 1))
    corners = np.array([[3.0, 0, 0], [4.0, 1, 1]])
    zone = Zone("wash", "wet", (points[faces],), unclosed=("x",), unclosed_m=(corners,))
    (drawn,) = drawables.zones(job_of(zones=[zone]), np.zeros(3))
    assert len(drawn.triangles) == 12
    assert len(drawn.edges_m) == 24
    assert drawn.opacity < 0.5


def test_a_cable_without_a_diameter_is_drawn_as_thin_as_can_be_seen():
    job = replace(job_of(), cables={})
    assert drawables.drawn_radius_m(job, judged().fitted, 0.02) == 0.02
    assert drawables.drawn_radius_m(job_of(), judged().fitted, 0.001) == pytest.approx(RADIUS_M)


def test_runs_of_one_verdict_are_drawn_as_one_mesh():
    parts = [drawables.run_tube(judged(v), np.zeros(3), RADIUS_M) for v in ("pass", "fail", "pass")]
    joined = drawables.merged(parts)
    assert [d.colour for d in joined] == [drawables.VERDICT_COLOURS["pass"], drawables.VERDICT_COLOURS["fail"]]
    assert sum(len(d.triangles) for d in joined) == sum(len(d.triangles) for d in parts)
    assert joined[0].points_m[joined[0].triangles].shape == (2 * len(parts[0].triangles), 3, 3)
