"""Pull sheets: what they say, whatever the drawing calls things, on either paper, page by page."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from route3d.errors import InputError
from route3d.examine import Examined, examine
from route3d.model.element import Element
from route3d.model.finding import CAUTION, CHECKS, Review
from route3d.model.job import FireStop, Job, Settings
from route3d.model.plan import CableCut, Coil, CutLength, Part, StrapPlace, StrapPlan, StuckStretch, TakeOff
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.reports.ink import PAPERS, clean, fitted, wide, wrapped
from route3d.reports.pdf_stream import pdf_pages
from route3d.reports.pull_sheet import PullSheets, write_pull_sheets
from route3d.reports.pull_sheet_facts import CAUTIONS, Sheet, at_least, tape
from route3d.reports.strap_layout import write_strap_layout
from route3d.review import judge
from tests.builders import block, book, cable

HOSTILE = 'R<b>{\\C1;x} %%d "☃" 水 \u202eevil\nnext'
LONG = "L1-" + "PANEL-A-CIRCUIT-17-" * 9 + "END"


def job(run_id: str = "R1", straps: tuple[float, ...] = (0.3, 2.0, 3.6, 4.6, 6.4, 7.3), **more: object) -> Job:
    """A run with two bends, a whip and a drop, between a wall to the west and one to the south, over a ceiling."""
    corners = np.array([[0.0, 0, 3], [5, 0, 3], [5, 0.6, 3], [8, 0.6, 3], [8, 0.6, 2.8]])
    drawn = Run(run_id, "c", corners, start="box", end="luminaire", straps_at_m=straps)
    elements = (
        Element("a.dxf:1", "wall", "A-WALL", "SOLID", block((-2.1, -9, 0), (0.1, 18, 3.4)), True),
        Element("a.dxf:2", "fire-wall", "A-FIRE", "SOLID", block((2.5, -9, 0), (0.1, 18, 3.4)), True),
        Element("a.dxf:3", "wall", "A-WALL", "SOLID", block((-9, -1.6, 0), (18, 0.1, 3.4)), True),
        Element("a.dxf:4", "ceiling", "A-CLNG", "SOLID", block((-2, -1, 2.59), (12, 3, 0.01)), True),
        Element("a.dxf:5", "structure", "S-SLAB", "SOLID", block((-9, -9, -0.2), (20, 20, 0.2)), True),
        Element("a.dxf:6", "structure", "S-BEAM", "SOLID", block((-9, 0.1, 3.1), (18, 0.2, 0.3)), True),
    )
    zones = (Zone("lay-in", "accessible-ceiling", (block((4.5, -1, 2.5), (4.0, 2, 1)),)),)
    made = Job("made", "other", CHECKS, {"c": cable()}, (drawn,), elements, zones, {}, Settings())
    return replace(made, **more)  # type: ignore[arg-type]


def checked(made: Job) -> tuple[Examined, Review]:
    examined = examine(made, book())
    return examined, judge(examined, "2026-01-31T10:00:00Z")


@pytest.fixture(scope="module")
def plain() -> tuple[Examined, Review]:
    return checked(job())


def the_sheet(pair: tuple[Examined, Review], plan: StrapPlan | None = None, takeoff: TakeOff | None = None) -> Sheet:
    return PullSheets(*pair, None if plan is None else [plan], takeoff).sheet(0)


def facts(sheet: Sheet) -> dict[str, str]:
    return dict(sheet.facts)


def pages(path: Path) -> list[str]:
    with pypdfium2.PdfDocument(path) as document:
        return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


def picture(path: Path, number: int) -> Image.Image:
    with pypdfium2.PdfDocument(path) as document:
        return document[number].render(scale=1.5).to_pil().convert("RGB")


# --- what a sheet says --------------------------------------------------------------------------------------------


def test_every_field_of_a_pull_sheet_is_there(plain: tuple[Examined, Review]) -> None:
    assert list(facts(the_sheet(plain))) == [
        "From (start)", "To (end)", "Cable", "Cut length", "Coil", "Pull", "Elevation", "Start, true place",
        "End, true place", "Straps", "Tightest bend", "Penetrations", "Bored framing", "Connectors", "Whip or flex",
        "Slack", "Hold points", "Colour / phase", "Notes",
    ]  # fmt: skip


def test_ends_are_measured_from_the_nearest_faces_across_each_other(plain: tuple[Examined, Review]) -> None:
    start = the_sheet(plain).start_datums
    # the faces that look at (0, 0): x = -2.0 and y = -1.5; the fire-wall at x = 2.5 and the beam at y = 0.1
    assert [round(d.distance_m, 6) for d in start] == [2.0, 0.1]
    assert [d.normal for d in start] == [(1.0, 0.0), (0.0, -1.0)]
    said = facts(the_sheet(plain))["Start, true place"]
    assert "A: 6 ft 6-3/4 in (2000 mm) from wall A-WALL (a.dxf:1), face toward +x, at x = -2.000 m" in said
    assert "x 0.000, y 0.000, z 3.000 m" in said


def test_heights_are_told_above_floor_and_above_ceiling(plain: tuple[Examined, Review]) -> None:
    said = facts(the_sheet(plain))["Elevation"]
    # the cable is 12 mm thick: its bottom at 2.994; the ceiling's upper face at 2.6, the slab's at 0
    assert f"start {tape(2.994)}, {tape(2.994)} above floor, {tape(0.394)} above ceiling" in said
    assert f"highest {tape(2.994)}" in said


def test_the_form_for_the_tightest_bend_is_twice_the_least_radius_and_never_rounded_down(
    plain: tuple[Examined, Review],
) -> None:
    said = facts(the_sheet(plain))["Tightest bend"]
    # NEC 330.24(B): 7 × 12 mm inside; as a form 168 mm = 6.614 in, on a tape 6-5/8 in
    assert "at least 3-5/16 in (84 mm)" in said and "2R at least 6-5/8 in (168 mm)" in said


@pytest.mark.parametrize("length_m", [0.0819, 0.0820001, 0.168, 0.0254, 1.8288, 0.30479])
def test_least_lengths_are_rounded_up(length_m: float) -> None:
    feet, inches, part, millimetres = 0.0, 0.0, 0.0, 0.0
    words = at_least(length_m).replace("(", "").replace("-", " ").split()
    millimetres = float(words[words.index("mm)") - 1])
    if "ft" in words:
        feet = float(words[words.index("ft") - 1])
    tail = words[words.index("ft") + 1 : words.index("in")] if "ft" in words else words[: words.index("in")]
    for word in tail:
        if "/" in word:
            part = float(word.split("/")[0]) / float(word.split("/")[1])
        else:
            inches = float(word)
    said = (feet * 12.0 + inches + part) * 0.0254
    assert length_m - 1e-9 <= said < length_m + 0.0254 / 16.0
    assert length_m * 1000.0 - 1e-6 <= millimetres < length_m * 1000.0 + 1.0


def test_rated_openings_name_their_fire_stop_or_say_that_it_is_not_stated(plain: tuple[Examined, Review]) -> None:
    assert "RATED: fire-stop system NOT STATED" in facts(the_sheet(plain))["Penetrations"]
    stated = checked(job(firestops=(FireStop("R1", "W-L-0001"),)))
    assert "RATED: fire-stop system W-L-0001" in facts(the_sheet(stated))["Penetrations"]


def test_without_plans_nothing_is_called_planned(plain: tuple[Examined, Review]) -> None:
    said = facts(the_sheet(plain))
    assert said["Coil"] == said["Pull"] == said["Slack"] == "not planned: no take-off was made"
    assert "make-up and waste not included" in said["Cut length"]
    assert "no strap plan was made" in said["Straps"]


def test_a_take_off_fills_cut_length_coil_and_direction(plain: tuple[Examined, Review]) -> None:
    cut = CutLength(
        "R1", "c", "", 8.7, (Part("start: slack", 0.3, "practice"), Part("waste", 0.4, "takeoff.waste")), 9.4, 1.5,
        "end", "armour slides that way", "PANEL-1", ("an assumption",),
    )  # fmt: skip
    coil = Coil(3, "c", 76.2, "new", (("R0", 5.0), ("R1", 9.4)), 61.8, True)
    long = CableCut("d", (), 0.0, 0.0, ("R9",))
    takeoff = TakeOff((cut,), (CableCut("c", (coil,), 76.2, 76.2, ()), long), (), ())
    sheet = the_sheet(plain, None, takeoff)
    said = facts(sheet)
    assert said["Cut length"].startswith(tape(9.4)) and "start: slack 11-13/16 in" in said["Cut length"]
    assert said["Coil"] == f"coil 3 of c, cut 2 ({tape(9.4)})"
    assert said["Pull"] == "from END: armour slides that way; home run of PANEL-1"
    assert "start: slack" in said["Slack"] and said["Notes"] == "an assumption"
    assert any("coil 3 of c" in step for step in sheet.steps)
    assert any("pull from END" in step for step in sheet.steps)


def planned(**more: object) -> StrapPlan:
    straps = (
        StrapPlace(0.3, (0.3, 0, 3), True, "a.dxf:6", "structure", 0.05),
        StrapPlace(1.9, (1.9, 0, 3), False, "a.dxf:6", "structure", 0.05, ("R2",), "on a strut"),
    )
    return replace(StrapPlan("R1", 8.7, straps, 1, 1, (), 0.1), **more)  # type: ignore[arg-type]


def test_a_plan_marks_new_straps_and_who_shares_them(plain: tuple[Examined, Review]) -> None:
    places = the_sheet(plain, planned(refused_at_m=(3.0,))).places
    assert [(p.mark, p.new) for p in places] == [("S1", False), ("S2", True), ("X1", False)]
    assert places[1].shared == ("R2",) and "on a strut" in places[1].holder
    assert places[2].what == "TAKE OUT" and not places[2].secures


def test_what_a_plan_cannot_hold_stops_the_pull(plain: tuple[Examined, Review]) -> None:
    stuck = StuckStretch("securing", 2.0, 5.0, "NEC 2023 330.30(B)", "No structure is near.", "Add a strut.")
    sheet = the_sheet(plain, planned(stuck=(stuck,)))
    assert any("no strap place from" in line and "Add a strut." in line for line in sheet.stop)
    assert sheet.steps[0].startswith("STOP")


def test_a_violation_stops_the_pull_even_if_a_plan_would_mend_it() -> None:
    bare = checked(job(straps=()))
    stop = the_sheet(bare, planned()).stop
    assert any("securing" in line and "check again with them" in line for line in stop)
    assert all("check again with them" not in line for line in the_sheet(bare).stop)


def test_violations_at_another_run_are_on_the_sheets_of_both() -> None:
    other = Run("R2", "c", np.array([[1.5, -1.0, 3.005], [1.5, 1.0, 3.005]]), start="box", end="box")
    made = job()
    examined, review = checked(replace(made, runs=(*made.runs, other)))
    sheets = PullSheets(examined, review, None, None)
    assert all(any("clash" in line for line in sheets.sheet(k).stop) for k in (0, 1))


# --- on paper -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_front_and_back_carry_what_the_crew_needs(plain: tuple[Examined, Review], paper: str, tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    assert write_pull_sheets(path, *plain, [planned()], paper=paper) == 1
    front, back = pages(path)
    fixed = ("Pull sheet R1", "Tightest bend", "Steps: tick each one", "Pulled by", "Length used")
    for words in (*fixed, *CAUTIONS, CAUTION):
        assert " ".join(words.split()) in front, words
    for words in ("Plan, x to the right", "Elevation, looking toward +y", "from the start end, along the fitted cable"):
        assert words in back, words
    assert f"S2 {tape(1.9)}" in back and "strap, NEW" in back and "WITH R2" in back
    with pypdfium2.PdfDocument(path) as document:
        assert document[0].get_size() == pytest.approx(PAPERS[paper], abs=0.01)


def test_a_failing_sheet_is_red_and_says_so_in_words_too(tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *checked(job(straps=())))
    front = pages(path)[0]
    assert "✘ DO NOT PULL BEFORE THIS IS MENDED" in front and "✘ FAIL" in front
    colours = np.asarray(picture(path, 0)).reshape(-1, 3).astype(int)
    assert ((colours[:, 0] > 160) & (colours[:, 1] < 70) & (colours[:, 2] < 70)).mean() > 0.005


def test_a_passing_sheet_has_no_red(tmp_path: Path) -> None:
    made = job(firestops=(FireStop("R1", "W-L-0001"),))
    pair = checked(made)
    assert not any(f.severity == "violation" for f in pair[1].findings)
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *pair)
    assert "DO NOT PULL" not in pages(path)[0]
    colours = np.asarray(picture(path, 0)).astype(int)
    assert (abs(colours - colours.mean(axis=2, keepdims=True)) < 12).all()


def test_what_is_not_checked_is_on_the_sheet(tmp_path: Path) -> None:
    unknown = cable(sheath_diameter_m=None, overall_diameter_m=None)
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *checked(job(cables={"c": unknown})))
    front = pages(path)[0]
    assert "? NOT CHECKED: this is not clear" in front
    assert "centre line (diameter not stated)" in front and "minimum not known" in front


def test_many_findings_and_straps_go_on_over_the_page_and_none_is_lost(tmp_path: Path) -> None:
    others = tuple(
        Run(f"X{k:02d}", "c", np.array([[0.1 + 0.1 * k, -1, 3.004], [0.1 + 0.1 * k, 1, 3.004]]), start="box", end="box")
        for k in range(24)
    )
    made = job(straps=tuple(np.linspace(0.05, 4.8, 90).round(3).tolist()))
    examined, review = checked(replace(made, runs=(*made.runs, *others)))
    only = replace(review, runs=review.runs[:1])
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, examined, only)
    sides = pages(path)
    assert len(sides) % 2 == 0 and len(sides) >= 4
    text = " ".join(sides)
    assert all(f"Overlaps run X{k:02d}" in text for k in range(24))
    assert all(f"S{k} " in text for k in range(1, 91))
    assert "more on the next side" in sides[0] or "on the next side" in sides[0]


@pytest.mark.parametrize("run_id", [HOSTILE, LONG, "Прогон-Ж-12", "Łódź-ñ-Ω", "水電-7"])
def test_any_name_is_shown_and_told_apart(run_id: str, tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *checked(job(run_id)))
    # a name longer than a line is broken; its signs are all there
    front = pages(path)[0].replace(" ", "").replace("✘FAIL", "").replace("✔pass", "")
    assert clean(run_id).replace(" ", "") in front
    assert "\u202e" not in front


def test_a_job_without_runs_says_so(tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    assert write_pull_sheets(path, *checked(job(runs=()))) == 0
    assert "nothing to pull" in pages(path)[0]
    write_strap_layout(path, *checked(job(runs=())))
    assert len(pages(path)) == 1


def test_one_point_of_building_and_a_run_straight_up_are_drawn(tmp_path: Path) -> None:
    riser = Run("V", "c", np.array([[0.0, 0, 0], [0, 0, 6.0]]), start="open", end="open")
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *checked(job(runs=(riser,), elements=(), zones=())))
    front, _ = pages(path)
    assert "no wall or structure near to measure from" in front
    assert "no floor below in the model" in front


def test_the_same_review_gives_the_same_bytes(plain: tuple[Examined, Review], tmp_path: Path) -> None:
    a, b = tmp_path / "a.pdf", tmp_path / "b.pdf"
    write_pull_sheets(a, *plain)
    write_pull_sheets(b, *plain)
    assert a.read_bytes() == b.read_bytes()


def test_a_folder_that_is_a_file_is_one_sentence(plain: tuple[Examined, Review], tmp_path: Path) -> None:
    (tmp_path / "f").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_pull_sheets(tmp_path / "f" / "x.pdf", *plain)


# --- the strap layout ---------------------------------------------------------------------------------------------


def test_a_layout_names_every_strap_on_plan_and_in_the_table(plain: tuple[Examined, Review], tmp_path: Path) -> None:
    path = tmp_path / "layout.pdf"
    count = write_strap_layout(path, *plain, [planned()])
    sides = pages(path)
    assert len(sides) == count >= 2
    plan, table = sides[0], sides[-1]
    assert "1-S1" in plan and "1-S2" in plan and "1/4 in = 1 ft (1:48)" in plan
    assert f"1-S2 {tape(1.9)}" in table and "NEW: WITH R2" in table
    assert all("An aid for planning" in side for side in sides)


def test_tiles_cover_a_wide_job_and_leave_out_what_no_run_passes(tmp_path: Path) -> None:
    far = Run("R2", "c", np.array([[60.0, 40, 3], [64, 40, 3]]), start="box", end="box")
    made = job()
    examined, review = checked(replace(made, runs=(*made.runs, far)))
    path = tmp_path / "layout.pdf"
    write_strap_layout(path, examined, review, paper="a4")
    plans = [side for side in pages(path) if "tile" in side]
    # at 1:50 a page shows 13.5 m × 8.5 m; the job is 64 m × 40 m, and only its two ends are drawn
    assert 2 <= len(plans) <= 6
    assert any("1-S1" in side for side in plans)


# --- the tools ----------------------------------------------------------------------------------------------------


def test_pages_leave_memory_as_they_are_finished(tmp_path: Path) -> None:
    with pdf_pages(tmp_path / "x.pdf", (200.0, 200.0), "t") as canvas:
        for k in range(50):
            canvas.drawString(20, 100, f"page {k}")
            canvas.showPage()
            kept = sum(len(str(vars(thing))) for thing in canvas._doc.idToObject.values())
            if k == 0:
                first = kept
        assert kept < first + 200
    text = pages(tmp_path / "x.pdf")
    assert [words.split()[-1] for words in text] == [str(k) for k in range(50)]


def test_nothing_is_left_behind_when_drawing_fails(tmp_path: Path) -> None:
    def draw() -> None:
        with pdf_pages(tmp_path / "x.pdf", (200.0, 200.0), "t") as canvas:
            canvas.showPage()
            raise RuntimeError

    with pytest.raises(RuntimeError):
        draw()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ["", "a", "word " * 40, "x" * 300, HOSTILE])
def test_wrapped_lines_fit_and_keep_every_sign(text: str) -> None:
    lines = wrapped(text, 7.0, 90.0)
    assert all(wide(line, 7.0) <= 90.0 for line in lines)
    assert "".join(lines).replace(" ", "") == clean(text).replace(" ", "")
    assert wide(fitted(text, 7.0, 50.0), 7.0) <= 50.0


def test_the_strip_is_there_and_not_blank(plain: tuple[Examined, Review], tmp_path: Path) -> None:
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *plain)
    page = picture(path, 0)
    low = page.crop((0, int(page.height * 0.45), page.width, int(page.height * 0.75)))
    assert (np.asarray(low.convert("L")) < 128).mean() > 0.01
    out = io.BytesIO()
    page.save(out, "PNG")
    assert math.isclose(page.width / page.height, 612 / 792, rel_tol=0.01)


def test_no_end_is_measured_from_the_edge_of_a_slab(plain: tuple[Examined, Review]) -> None:
    sheet = the_sheet(plain)
    assert all("S-SLAB" not in datum.name for datum in (*sheet.start_datums, *sheet.end_datums))


def test_faces_of_a_turned_building_are_found_too() -> None:
    turn = np.radians(30.0)
    axes = np.array([[np.cos(turn), np.sin(turn), 0], [-np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    made = job()
    elements = tuple(replace(e, triangles_m=e.triangles_m @ axes) for e in made.elements)
    runs = tuple(replace(run, corners_m=run.corners_m @ axes) for run in made.runs)
    turned = the_sheet(checked(replace(made, elements=elements, runs=runs, zones=()))).start_datums
    straight = the_sheet(checked(made)).start_datums
    assert sorted(d.distance_m for d in turned) == pytest.approx(sorted(d.distance_m for d in straight))
    assert any("30° from +x" in d.name for d in turned)


GOLDEN = Path(__file__).parents[2] / "golden" / "pull_sheet.txt"


def test_all_words_of_a_sheet_are_what_they_were(plain: tuple[Examined, Review], tmp_path: Path) -> None:
    """What the two pages say, read back from the PDF; after a change that is meant, write ``said`` into the file."""
    path = tmp_path / "sheets.pdf"
    write_pull_sheets(path, *plain, [planned()])
    said = "\n---\n".join(text.replace("; ", ";\n").replace(" · ", "\n· ") for text in pages(path)) + "\n"
    assert said == GOLDEN.read_text(encoding="utf-8")
