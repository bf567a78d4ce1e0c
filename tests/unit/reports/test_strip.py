"""The run unrolled: the same bytes twice, readable without colour, safe whatever a drawing calls things."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from route3d.errors import InputError
from route3d.model.finding import CHECKS, Review
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.reports.strip import HEIGHT_IN, WIDTH_IN, strip_png, strip_svg
from route3d.reports.strip_layout import rows_of, spread
from route3d.review import check_job
from tests.builders import block, book, cable

HOSTILE = 'R<script>$x^{$&amp; "quoted" ☃'


def job(run_id: str = "R1") -> Job:
    """A run with a bend too tight, a span too long, a whip, and three zones of which two overlap."""
    corners = np.array([[0.0, 0, 3], [5, 0, 3], [5, 0.1, 3], [8, 0.1, 3], [8, 0.1, 2.8]])
    drawn = Run(run_id, "c", corners, start="box", end="luminaire", straps_at_m=(0.3, 2.9, 4.6, 6.4))
    zones = (
        Zone("lay-in", "accessible-ceiling", (block((4.5, -1, 2.5), (4.0, 2, 1)),)),
        Zone("wash bay", "wet", (block((1.0, -1, 2.5), (1.0, 2, 1)),)),
        Zone("return air", "plenum", (block((5.0, -1, 2.5), (1.0, 2, 1)),)),
    )
    return Job("made", "other", CHECKS, {"c": cable()}, (drawn,), (), zones, {}, Settings())


@pytest.fixture(scope="module")
def review() -> Review:
    return check_job(job(), book(), "2026-01-31T10:00:00Z")


def texts(svg: str) -> list[str]:
    root = ElementTree.fromstring(svg)
    return ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]


def test_a_strip_is_the_same_twice(review: Review) -> None:
    assert strip_svg(review, "R1") == strip_svg(review, "R1")
    assert strip_png(review, "R1", 50) == strip_png(review, "R1", 50)


def test_a_strip_says_what_a_foreman_asks(review: Review) -> None:
    words = "\n".join(texts(strip_svg(review, "R1")))
    for wanted in (
        "Run R1", "✘ fail", "cable c", "accessible-ceiling: lay-in", "box", "luminaire", "2.90 m · 9 ft 6-3/16 in",
        "✘ 2.60 m of 1.83 m (8 ft 6-3/8 in of 6 ft 0 in)", "exempt, whip", "elevation, m", "3.000 m (9 ft 10-1/8 in)",
        "An aid for planning, not a decision on code compliance",
    ):  # fmt: skip
        assert wanted in words, wanted
    assert any(text.startswith("✘ 90° 0.") for text in texts(strip_svg(review, "R1")))


def test_failing_spans_differ_from_others_without_colour(review: Review) -> None:
    """In black and white the row of a failing span is dark along its length, that of a fine one white."""
    pixels = ~np.asarray(Image.open(io.BytesIO(strip_png(review, "R1", 60))).convert("1"))
    height, width = pixels.shape
    spans = [s for s in review.runs[0].spans if s.check == "securing"]
    failing = next(s for s in spans if not s.ok)
    fine = next(s for s in spans if s.ok and s.exempt is None and s.length_m > 1.0)

    def rows_of_dark(from_m: float, to_m: float) -> int:
        total = review.runs[0].fitted.length_m
        left, right = (int(width * (0.085 + 0.9 * (0.02 + at / total / 1.04))) for at in (from_m, to_m))
        margin = (right - left) // 8  # beside the number in its middle
        band = pixels[int(0.45 * height) : int(0.62 * height), left + margin : left + 3 * margin]
        return int((band.mean(axis=1) > 0.5).sum())

    assert rows_of_dark(failing.from_m, failing.to_m) >= 8
    assert rows_of_dark(fine.from_m, fine.to_m) <= 3


def test_a_png_fits_a_letter_page(review: Review) -> None:
    size = Image.open(io.BytesIO(strip_png(review, "R1", 100))).size
    assert size == (round(WIDTH_IN * 100), round(HEIGHT_IN * 100))
    assert WIDTH_IN <= 11.0 - 2 * 0.4 and HEIGHT_IN <= 8.5 - 2 * 0.4


def test_names_from_drawings_stay_text() -> None:
    made = job(HOSTILE)
    zone = replace(made.zones[0], name='<img src=x onerror="1">$\\frac{')
    hostile = check_job(replace(made, zones=(zone,)), book(), "2026-01-31T10:00:00Z")
    svg = strip_svg(hostile, HOSTILE)
    assert "<script" not in svg and "<img" not in svg
    assert any("R<script>$x^{$&amp;" in text for text in texts(svg))
    assert any("$\\frac{" in text for text in texts(svg))


def test_an_unknown_run_is_refused(review: Review) -> None:
    with pytest.raises(InputError, match="has no run 'R9'"):
        strip_svg(review, "R9")


def test_a_run_with_nothing_on_it_is_drawn_too() -> None:
    drawn = Run("bare", "c", np.array([[0.0, 0, 0], [0.3, 0, 0]]), start="open", end="open")
    made = replace(job(), runs=(drawn,), zones=())
    words = texts(strip_svg(check_job(made, book(), "2026-01-31T10:00:00Z"), "bare"))
    assert {"no zone", "no bend", "open"} <= set(words)


def test_stretches_that_overlap_get_rows_of_their_own() -> None:
    assert rows_of([]) == []
    assert rows_of([(0, 1), (1, 2)]) == [0, 0]
    assert rows_of([(0, 2), (1, 3), (2.5, 4)]) == [0, 1, 0]


@pytest.mark.parametrize("places", [[], [5.0], [5.0, 5.0, 5.0], [0.0, 0.0, 10.0], [9.9, 10.0, 10.0], [1.0, 4.0, 7.0]])
def test_labels_keep_apart_in_order_and_inside(places: list[float]) -> None:
    moved = spread(places, 1.0, 0.0, 10.0)
    assert len(moved) == len(places)
    assert all(b - a >= 1.0 - 1e-9 for a, b in pairwise(moved))
    assert all(-1e-9 <= x <= 10.0 + 1e-9 for x in moved)
    if places == [1.0, 4.0, 7.0]:
        assert moved == places


def test_strips_of_one_page_share_no_ids(review: Review) -> None:
    other = check_job(job("R2"), book(), "2026-01-31T10:00:00Z")
    ids = [set(re.findall(r' id="([^"]+)"', strip_svg(r, name))) for r, name in ((review, "R1"), (other, "R2"))]
    assert ids[0] and not ids[0] & ids[1]
    svg = strip_svg(review, "R1")
    assert set(re.findall(r"url\(#([^)]+)\)", svg)) | set(re.findall(r'href="#([^"]+)"', svg)) <= ids[0]
