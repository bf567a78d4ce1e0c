"""The picture: right size, not blank, every finding's colour and number in it, and plain words where it cannot be."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from route3d import drawables
from route3d.errors import MissingExtraError, Route3DError
from route3d.kernel import shapes
from route3d.kernel.path import arc_piece, straight_piece
from route3d.model.building import Unread
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import Finding, JudgedBend, Review, RunReview
from route3d.model.job import Job, Settings
from route3d.model.run import Bend, FittedRun, Run
from route3d.model.support import Attachment, Support, Termination
from route3d.model.zone import Zone
from route3d.viewer import close_up, probe
from route3d.viewer.callouts import place
from route3d.viewer.camera import fitted, looking_from
from route3d.viewer.picture import draw_picture
from route3d.viewer.window import open_window


def can_draw() -> bool:
    try:
        probe.off_screen_window()
    except MissingExtraError:
        return False
    return True


needs_gl = pytest.mark.skipif(not can_draw(), reason="the probe found no library that draws off screen here")


def scene(shift=(0.0, 0.0, 0.0)):
    """One bent run below a duct, with a strap, a bend finding and a clash finding."""
    shift = np.asarray(shift, dtype=float)
    corners = np.array([[0, 0, 3.0], [1.1, 0, 3.0], [1.1, 1.1, 3.0]]) + shift
    centre = shift + np.array([1.04, 0.06, 3.0])
    arc = arc_piece(centre, np.array([0, -1.0, 0]), np.array([1.0, 0, 0]), 0.06, np.pi / 2, 1.04)
    end = arc[1] + arc[2]
    pieces = np.array(
        [
            straight_piece(corners[0], shift + np.array([1.04, 0, 3.0]), 0.0),
            arc,
            straight_piece(shift + np.array([1.1, 0.06, 3.0]), corners[2], end),
        ]
    )
    bend = Bend(1, 1.04, end, tuple(centre + 0.06 * np.array([1, -1, 0]) / 2**0.5), np.pi / 2, 0.06, 1.1, 1.1, 0, 2)
    fitted_run = FittedRun(Run("R1", "mc", corners), pieces, (bend,))
    judged = RunReview(
        fitted_run,
        Attachment(Termination("box", None), Termination("open", None), (Support(0.5, "strap", True, "s"),)),
        "fail",
        (JudgedBend(bend, 0.05425, 0.0805, 0.67, "rule"),),
    )
    points, faces = shapes.box((0.1, 0.5, 0.1), shift + np.array([0.4, 0, 3.15]))
    duct = Element("m:1", "duct", "M-DUCT", "MESH", points[faces], True)
    room, room_faces = shapes.box((1, 1, 1), shift + np.array([0.5, 0.5, 3.0]))
    findings = (
        Finding("bend", "violation", "R1", "rule", "a", "b", None, (1.04, end), bend.point_m, 0.05425, 0.0805, "m"),
        Finding(
            "clash",
            "caution",
            "R1",
            "rule",
            "c",
            "d",
            "m:1",
            (0.4, 0.4),
            tuple(shift + np.array([0.4, 0, 3.0])),
            0.04,
            0.05,
            "m",
        ),
        Finding("input", "note", None, "rule", "whole job", "e"),
    )
    findings = tuple(replace(f, finding_id=f"f{i}") for i, f in enumerate(findings, 1))
    cables = {"mc": Cable("mc", "mc-interlocked", 0.0115, 0.0115)}
    zones = (Zone("corridor", "plenum", (room[room_faces],)),)
    job = Job("Demo hall", "other", (), cables, (fitted_run.run,), (duct,), zones, {}, Settings())
    unread = (Unread("m.dxf", "2F", "M-DUCT", "3DSOLID", "why"),)
    return job, Review("Demo hall", "nec-2023", "", (judged,), findings, (), unread)


def near(pixels, colour, reach=12):
    return int((np.abs(pixels.astype(int) - colour).max(axis=2) <= reach).sum())


def drawn(tmp_path, view="overview", size=(960, 540), **scene_options):
    job, review = scene(**scene_options)
    path = tmp_path / "picture.png"
    draw_picture(job, review, path, size=size, view=view)
    assert [p.name for p in tmp_path.iterdir()] == ["picture.png"]
    with Image.open(path) as image:
        assert image.format == "PNG"
        assert image.size == size
        return np.asarray(image.convert("RGB"))


@needs_gl
@pytest.mark.parametrize("view", ["overview", "plan", "f1", "f2"])
def test_a_picture_has_its_size_and_shows_the_findings_colours(tmp_path, view):
    pixels = drawn(tmp_path, view)
    assert pixels.std() > 20.0
    scene_part = pixels[40:420, :720]
    assert near(scene_part, drawables.SEVERITY_COLOURS["violation"]) > 20
    if view in ("overview", "plan"):
        assert near(scene_part, drawables.SEVERITY_COLOURS["caution"]) > 10


@needs_gl
def test_a_picture_at_survey_coordinates_is_the_same(tmp_path):
    here = drawn(tmp_path)
    there = drawn(tmp_path, shift=(512_000.0, 5_412_000.0, 0.0))
    # shading of a few pixels on edges may round otherwise
    assert (np.abs(here.astype(int) - there).max(axis=2) > 8).mean() < 0.002


@needs_gl
def test_an_empty_job_is_a_sheet_without_runs(tmp_path):
    job, review = scene()
    empty = replace(job, runs=(), elements=(), zones=())
    draw_picture(empty, replace(review, runs=(), findings=(), unread=()), tmp_path / "p.png", size=(640, 360))
    assert (tmp_path / "p.png").stat().st_size > 1000


@pytest.mark.parametrize(("view", "words"), [("f9", "overview, plan, or the id"), ("f3", "whole job")])
def test_a_view_that_cannot_be_drawn_says_what_can(tmp_path, view, words):
    job, review = scene()
    with pytest.raises(Route3DError, match=words):
        draw_picture(job, review, tmp_path / "p.png", view=view)
    assert list(tmp_path.iterdir()) == []


@needs_gl
def test_a_folder_that_cannot_be_is_one_sentence(tmp_path):
    job, review = scene()
    (tmp_path / "file").touch()
    with pytest.raises(Route3DError, match="cannot be written"):
        draw_picture(job, review, tmp_path / "file" / "p.png", size=(640, 360))


def test_no_library_names_the_package_instead_of_crashing(monkeypatch):
    monkeypatch.setenv(probe.WINDOW_VARIABLE, "no such window")
    monkeypatch.setattr(probe, "_draws", lambda name: False)
    probe.off_screen_window.cache_clear()
    try:
        with pytest.raises(MissingExtraError, match="libosmesa6"):
            probe.off_screen_window()
    finally:
        probe.off_screen_window.cache_clear()


def test_a_probe_that_dies_counts_as_no(monkeypatch):
    # what a missing library does to the process
    monkeypatch.setattr(probe, "TINY_SCENE", "import os, signal; os.kill(os.getpid(), signal.SIGTERM)")
    assert probe._draws("") is False


def test_no_display_is_answered_with_the_picture_command(monkeypatch):
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    with pytest.raises(Route3DError, match=r"view --picture FILE\.png"):
        open_window(*scene())


def test_importing_the_viewer_loads_no_graphics():
    words = "import sys, route3d.viewer, route3d.viewer.picture, route3d.viewer.window; "
    words += "sys.exit(any(m.split('.')[0] in ('vtk', 'vtkmodules', 'pyvista') for m in sys.modules))"
    assert subprocess.run([sys.executable, "-c", words], check=False).returncode == 0


def test_numbers_do_not_cover_each_other():
    rng = np.random.default_rng(4)
    anchors = rng.normal((400, 300), 60.0, (40, 2))
    centres = place(anchors, 14.0, (800.0, 600.0), np.array([[0, 0, 200, 150]]))
    gap = np.linalg.norm(centres[:, None] - centres[None], axis=2) + 1e9 * np.eye(40)
    assert gap.min() >= 28.0
    assert ((centres > 14.0) & (centres < [786.0, 586.0])).all()
    assert not ((centres[:, 0] < 214.0) & (centres[:, 1] < 164.0)).any()


def test_the_camera_shows_all_points_and_keeps_lengths():
    points = np.random.default_rng(1).uniform(-3, 5, (50, 3))
    camera = fitted(looking_from(np.array([-0.5, -0.8, 0.7])), points, 800, 500, margin_px=40, least_m=0.1)
    seen = camera.project(points)
    assert ((seen > 39.9) & (seen < [760.1, 460.1])).all()
    across = camera.project(np.array([[0, 0, 0], camera.axes[0]]))
    assert np.linalg.norm(across[1] - across[0]) * camera.metres_per_px == pytest.approx(1.0)


def test_the_nearest_point_of_a_triangle_is_found_by_brute_force_too():
    rng = np.random.default_rng(7)
    triangles = rng.normal(size=(5, 3, 3))
    share = rng.dirichlet((1, 1, 1), 200_000)
    for point in rng.normal(size=(5, 3)):
        exact = np.linalg.norm(close_up.nearest_on_triangles(triangles, point) - point)
        tried = min(np.linalg.norm(share @ t - point, axis=1).min() for t in triangles)
        assert exact <= tried + 1e-12
        assert tried - exact < 0.02  # as dense as the tries are


def test_only_what_stands_between_viewer_and_subject_is_in_the_way():
    boxes = np.array([[[-1, -3, -1], [1, -2, 1]], [[-1, 2, -1], [1, 3, 1]], [[4, -3, -1], [5, -2, 1]]], dtype=float)
    assert close_up.blocked(boxes, [np.zeros(3)], np.array([0.0, -1.0, 0.0])).tolist() == [True, False, False]


def test_the_required_arc_is_drawn_with_the_radius_that_the_rule_asks():
    job, review = scene()
    close = close_up.close_up(job, review, review.findings[0], np.zeros(3), 800, 500)
    required = next(d for d in close.dimensions if d.words.startswith("required"))
    drawn_now = next(d for d in close.dimensions if d.words.startswith("drawn"))
    assert np.linalg.norm(np.diff(required.line_m, axis=0)) == pytest.approx(0.0805)
    assert np.linalg.norm(np.diff(drawn_now.line_m, axis=0)) == pytest.approx(0.06 - 0.00575)


def test_the_gap_line_of_a_clearance_is_as_long_as_the_gap():
    job, review = scene()
    close = close_up.close_up(job, review, review.findings[1], np.zeros(3), 800, 500)
    (gap,) = close.dimensions
    # duct from 3.05 up, cable's top at 3.00575
    assert np.linalg.norm(np.diff(gap.line_m, axis=0)) == pytest.approx(0.05 - 0.00575)
