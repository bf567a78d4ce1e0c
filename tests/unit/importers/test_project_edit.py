"""Edits of runs in the project file: what is meant changes, everything else stays to the letter."""

import difflib
import os
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from importers.project_edit import RunEdit, edit_project, edited_text, fingerprint, written_length
from importers.project_file import parse_project
from route3d.errors import InputError
from route3d.units import METRES_PER_UNIT

TEXT = """# the office's own words
name  = "a job"   # aligned
units = "mm"

[cable.mc]
method = "mc-interlocked"  # made somewhere
sheath_diameter = 12.0

[cable.ac]
method = "ac"

[[run]]  # the first
id    = "a"
cable = "mc"
path  = [[0, 0, 3000], [4000.5, 0, 3000]]   # two points
straps = [250, 1800.0]  # by hand
end = "box"

[[run]]
id = "b"
cable = "mc"
path = [
  [0, 0, 3000],    # here it starts
  [1e3, 0, 3000],  # the corner
  [1000, 2000, 3000],
]

[[firestop]]
run = "b"
system = "W-L-0001"
"""


def changed_lines(new: str, old: str = TEXT) -> list[str]:
    lines = difflib.unified_diff(old.splitlines(), new.splitlines(), n=0, lineterm="")
    return [line for line in lines if line[:1] in "+-" and line[:3] not in ("+++", "---")]


def test_straps_change_and_numbers_that_mean_the_same_keep_their_text() -> None:
    new = edited_text(TEXT, "p", [RunEdit("a", straps_at_m=(0.25, 1.2345678, 1.8))])
    assert changed_lines(new) == [
        "-straps = [250, 1800.0]  # by hand",
        "+straps = [250, 1234.57, 1800.0]  # by hand",
    ]


def test_nothing_is_written_where_nothing_changes() -> None:
    same = RunEdit(
        "a",
        corners_m=np.array([[0, 0, 3.0], [4.0005, 0, 3.0]]),
        straps_at_m=(1.8, 0.25),
        supports_at_m=(),
        end="box",
        cable_id="mc",
    )
    assert edited_text(TEXT, "p", [same]) == TEXT


def test_one_moved_corner_changes_one_number_and_keeps_the_remarks() -> None:
    corners = np.array([[0, 0, 3.0], [1.0, 0.25, 3.0], [1.0, 2.0, 3.0]])
    new = edited_text(TEXT, "p", [RunEdit("b", corners_m=corners)])
    assert changed_lines(new) == ["-  [1e3, 0, 3000],  # the corner", "+  [1e3, 250, 3000],  # the corner"]


def test_an_added_corner_is_written_among_those_that_stay() -> None:
    corners = np.array([[0, 0, 3.0], [1.0, 0, 3.0], [1.0, 2.0, 3.0], [1.0, 2.0, 2.0]])
    new = edited_text(TEXT, "p", [RunEdit("b", corners_m=corners)])
    assert tomllib.loads(new)["run"][1]["path"] == [
        [0, 0, 3000],
        [1000, 0, 3000],
        [1000, 2000, 3000],
        [1000, 2000, 2000],
    ]


def test_keys_that_were_not_there_are_added_and_empty_straps_go() -> None:
    new = edited_text(TEXT, "p", [RunEdit("a", straps_at_m=(), supports_at_m=(0.9,), start="cabinet", end="open")])
    run = tomllib.loads(new)["run"][0]
    assert "straps" not in run
    assert (run["supports"], run["start"], run["end"]) == ([900], "cabinet", "open")


def test_a_new_run_is_written_behind_the_others() -> None:
    edit = RunEdit('c "1"', corners_m=np.array([[0, 0, 1.0], [1, 0, 1]]), cable_id="ac", start="box", added=True)
    new = edited_text(TEXT, "p", [edit])
    assert [run["id"] for run in tomllib.loads(new)["run"]] == ["a", "b", 'c "1"']
    assert all(line.startswith("+") for line in changed_lines(new))
    assert '[[firestop]]\nrun = "b"' in new


def test_the_first_run_of_a_project_is_written() -> None:
    text = TEXT[: TEXT.index("[[run]]")]
    edit = RunEdit("c", corners_m=np.array([[0, 0, 1.0], [1, 0, 1]]), cable_id="ac", added=True)
    assert parse_project(edited_text(text, "p", [edit]), "p").run[0].id == "c"


def test_a_run_is_deleted_and_its_neighbours_stay() -> None:
    new = edited_text(TEXT, "p", [RunEdit("a", deleted=True)])
    assert [run["id"] for run in tomllib.loads(new)["run"]] == ["b"]
    assert all(line.startswith("-") for line in changed_lines(new))


def test_a_run_that_a_fire_stop_names_is_not_deleted() -> None:
    with pytest.raises(InputError, match=r"firestop\[1\]"):
        edited_text(TEXT, "p", [RunEdit("b", deleted=True)])


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (RunEdit("zz", straps_at_m=(1.0,)), "has no"),
        (RunEdit("a", cable_id="mcc"), "Did you mean 'mc'"),
        (RunEdit("a", end="luminair"), "Did you mean 'luminaire'"),
        (RunEdit("a", corners_m=np.array([[0, 0, np.nan], [1, 0, 0]])), "finite"),
        (RunEdit("a", corners_m=np.array([[0, 0, 0.0]])), "two or more points"),
        (RunEdit("a", corners_m=np.zeros((3, 3))), "same point"),
        (RunEdit("a", straps_at_m=(-0.5,)), "from 0 on"),
        (RunEdit("a", straps_at_m=(np.inf,)), "from 0 on"),
        (RunEdit("a", corners_m=np.array([[0, 0, 0.0], [1, 0, 0]]), cable_id="mc", added=True), "already"),
        (RunEdit("new", added=True), "needs its points"),
        (RunEdit("a\nb", corners_m=np.array([[0, 0, 0.0], [1, 0, 0]]), cable_id="mc", added=True), "one line"),
    ],
)
def test_edits_that_make_no_sense_are_refused_in_a_sentence(edit: RunEdit, said: str) -> None:
    with pytest.raises(InputError, match=said):
        edited_text(TEXT, "p", [edit])


def test_one_run_is_edited_once() -> None:
    with pytest.raises(InputError, match="twice"):
        edited_text(TEXT, "p", [RunEdit("a", end="open"), RunEdit("a", end="box")])


def test_a_hostile_id_is_only_text() -> None:
    edit = RunEdit('x"]]\\', corners_m=np.array([[0, 0, 0.0], [1, 0, 0]]), cable_id="mc", added=True)
    new = edited_text(TEXT, "p", [edit])
    assert tomllib.loads(new)["run"][2]["id"] == 'x"]]\\'


@pytest.mark.parametrize("unit", sorted(METRES_PER_UNIT))
def test_lengths_are_written_to_a_hundredth_of_a_millimetre_without_noise(unit: str) -> None:
    for value in (0.2743, 1.8288, 0.3048, 12.345678, 0.0001):
        written = written_length(value, unit)
        assert abs(written * METRES_PER_UNIT[unit] - value) <= 0.5e-5
        assert len(repr(written).split(".")[-1]) <= 5 or "." not in repr(written)


def test_a_file_that_changed_in_the_meantime_is_not_written(tmp_path) -> None:
    path = tmp_path / "route3d.toml"
    path.write_text(TEXT, encoding="utf-8")
    read = fingerprint(path)
    path.write_text(TEXT + "# more\n", encoding="utf-8")
    with pytest.raises(InputError, match="changed on disk"):
        edit_project(path, [RunEdit("a", end="open")], read)
    assert path.read_text(encoding="utf-8") == TEXT + "# more\n"
    assert [p.name for p in tmp_path.iterdir()] == ["route3d.toml"]


def test_saving_twice_goes_by_the_new_fingerprint(tmp_path) -> None:
    path = tmp_path / "route3d.toml"
    path.write_text(TEXT, encoding="utf-8")
    first = edit_project(path, [RunEdit("a", end="open")], fingerprint(path))
    assert first == fingerprint(path)
    edit_project(path, [RunEdit("a", end="box")], first)
    assert path.read_text(encoding="utf-8") == TEXT


def test_line_ends_byte_mark_permissions_and_links_stay(tmp_path) -> None:
    real = tmp_path / "real.toml"
    real.write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    real.chmod(0o640)
    link = tmp_path / "route3d.toml"
    link.symlink_to(real)
    edit_project(link, [RunEdit("a", straps_at_m=(0.25, 1.0, 1.8))], fingerprint(link))
    raw = real.read_bytes()
    assert link.is_symlink() and raw.startswith(b"\xef\xbb\xbf") and raw.count(b"\n") == raw.count(b"\r\n")
    assert real.stat().st_mode & 0o777 == 0o640
    assert b"[250, 1000, 1800.0]" in raw


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch) -> None:
    path = tmp_path / "route3d.toml"
    path.write_text(TEXT, encoding="utf-8")
    read = fingerprint(path)

    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(InputError, match="No space left"):
        edit_project(path, [RunEdit("a", end="open")], read)
    assert path.read_text(encoding="utf-8") == TEXT
    assert [p.name for p in tmp_path.iterdir()] == ["route3d.toml"]


_LENGTHS = st.floats(0.0, 50.0, allow_nan=False)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(sorted(METRES_PER_UNIT)),
    st.lists(st.tuples(_LENGTHS, _LENGTHS, _LENGTHS), min_size=2, max_size=5, unique=True),
    st.lists(_LENGTHS, max_size=5),
)
def test_what_is_written_is_read_again(unit: str, corners: list[tuple[float, ...]], straps: list[float]) -> None:
    points = np.array(corners)
    if np.abs(points - points[0]).max() < 1e-3:
        return
    text = TEXT.replace('units = "mm"', f'units = "{unit}"')
    new = edited_text(text, "p", [RunEdit("a", corners_m=points, straps_at_m=tuple(straps))])
    run = parse_project(new, "p").run[0]
    assert np.array(run.path) * METRES_PER_UNIT[unit] == pytest.approx(points, abs=1e-5)
    assert np.array(run.straps) * METRES_PER_UNIT[unit] == pytest.approx(np.sort(straps), abs=1e-5)
    assert edited_text(new, "p", [RunEdit("a", corners_m=np.array(run.path) * METRES_PER_UNIT[unit])]) == new
