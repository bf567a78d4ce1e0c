"""Changes of the page: checked, added up, applied."""

import json

import numpy as np
import pytest

from route3d.model.run import Run, same_run
from route3d.viewer.draft_files import edit_from
from route3d.viewer.edits import Edit, EditError, added_up, both_sides, edited, read_changes, taken, within

ORIGIN = np.array([500_000.0, 5_400_000.0, 100.0])
CORNERS = np.add(ORIGIN, [[0.1234567891, 0.2, 3.0], [1.1, 0.2, 3.0], [1.1, 1.2, 3.3]])
BASE = {
    "a": Run("a", "mc", CORNERS, np.array([0.0, 0.2, 0.0]), straps_at_m=(0.3, 1.5), supports_at_m=(0.9,), file="r.dxf"),
    "b": Run("b", "mc", CORNERS + 1.0, start="box", file="route3d.toml"),
}


def drafts_of(*edits: dict, before=None) -> dict[str, Edit]:
    return added_up({} if before is None else before, read_changes(list(edits), ORIGIN, BASE), BASE, ["mc", "nm"])


def sent(corners) -> list:
    """Corners as the page sends them back: relative, and rounded as it got them."""
    return np.round(np.asarray(corners) - ORIGIN, 6).tolist()


def test_corners_that_were_not_moved_keep_their_exact_value() -> None:
    moved = CORNERS.copy()
    moved[1] += [0.0, 0.0, 0.25]
    edit = drafts_of({"run": "a", "corners_m": sent(moved)})["a"]
    assert edit.corners_m is not None
    assert np.array_equal(np.array(edit.corners_m)[[0, 2]], CORNERS[[0, 2]])
    assert np.allclose(edit.corners_m[1], moved[1], atol=1e-6)


def test_corners_are_matched_wherever_others_are_put_between() -> None:
    path = [*sent(CORNERS)[:1], [0.5, 0.2, 3.0], *sent(CORNERS)[1:]]
    edit = drafts_of({"run": "a", "corners_m": path})["a"]
    assert np.array_equal(np.array(edit.corners_m)[[0, 2, 3]], CORNERS)


def test_what_was_undone_is_no_draft() -> None:
    drafts = drafts_of({"run": "a", "corners_m": [[0, 0, 0], [1, 1, 1]], "straps_at_m": [0.1], "cable": "nm"})
    assert drafts["a"].cable == "nm"
    drafts = drafts_of({"run": "a", "corners_m": sent(CORNERS), "straps_at_m": [1.5, 0.3]}, before=drafts)
    assert set(drafts) == {"a"}
    assert drafts_of({"run": "a", "cable": "mc"}, before=drafts) == {}
    assert drafts_of({"run": "a", "cable": None}, before=drafts) == {}


def test_keys_that_are_not_said_stay() -> None:
    drafts = drafts_of({"run": "a", "straps_at_m": [0.4]})
    drafts = drafts_of({"run": "a", "supports_at_m": []}, {"run": "b", "end": "open"}, before=drafts)
    assert drafts["a"].straps_at_m == (0.4,) and drafts["a"].supports_at_m == ()
    assert drafts["b"].end == "open"


def test_a_deletion_is_taken_back_and_an_added_run_forgotten() -> None:
    drafts = drafts_of({"run": "a", "deleted": True})
    assert edited(drafts["a"], BASE["a"], "p") is None
    assert drafts_of({"run": "a", "deleted": False}, before=drafts) == {}
    new = {"run": "n", "corners_m": [[0, 0, 0], [1, 0, 0]], "cable": "nm", "added": True}
    drafts = drafts_of(new)
    run = edited(drafts["n"], None, "route3d.toml")
    assert run is not None and (run.cable_id, run.start, run.end, run.file) == ("nm", "open", "open", "route3d.toml")
    assert np.array_equal(run.corners_m, np.add(ORIGIN, [[0, 0, 0], [1, 0, 0]]))
    assert drafts_of({"run": "n", "corners_m": [[0, 0, 0], [2, 0, 0]], "added": True}, before=drafts)["n"].added
    assert drafts_of({"run": "n", "deleted": True}, before=drafts) == {}


def test_a_run_that_moved_loses_its_drawn_arcs_and_nothing_else() -> None:
    drafts = drafts_of({"run": "a", "corners_m": [[0, 0, 0], [1, 0, 0], [1, 1, 0]]})
    run = edited(drafts["a"], BASE["a"], "p")
    assert run is not None and not run.drawn_radius_m.any() and run.straps_at_m == BASE["a"].straps_at_m
    run = edited(Edit("a", straps_at_m=(0.5,)), BASE["a"], "p")
    assert run is not None and run.drawn_radius_m[1] == 0.2 and run.straps_at_m == (0.5,)
    assert edited(Edit("a"), BASE["a"], "p") is BASE["a"]


def test_an_edit_survives_its_way_through_json_to_the_last_digit() -> None:
    edit = drafts_of({"run": "a", "corners_m": [[0.1, 1 / 3, 2 / 7], [1, 1, 1]], "straps_at_m": [0.1 + 0.2]})["a"]
    for one in (edit, Edit("a", deleted=True), Edit("n", corners_m=((0, 0, 0), (1e-9, 1, 1)), cable="mc", added=True)):
        assert edit_from(json.loads(json.dumps(one.as_json()))) == one


def test_either_side_of_a_draft_leads_there_when_it_is_sent() -> None:
    whole = {"corners_m": [[0, 0, 0], [1, 1, 1]], "cable": "nm"}
    drafts = drafts_of(
        {"run": "a", "corners_m": [[0, 0, 0], [1, 1, 1]], "end": "luminaire"},
        {"run": "b", "deleted": True},
        {"run": "n", **whole, "added": True},
    )
    told = {side["after"]["run"]: side for side in both_sides(drafts, BASE, ORIGIN)}
    assert told["a"]["arcs"] and not told["b"]["arcs"]
    assert told["a"]["before"]["start"] is None and told["a"]["after"]["end"] == "luminaire"
    assert told["b"]["after"] == {"run": "b", "deleted": True} and told["n"]["before"] == {"run": "n", "deleted": True}
    back = drafts_of(*({"deleted": False, **side["before"]} for side in told.values()), before=drafts)
    assert back == {}
    forth = ({"deleted": False, **side["after"], "added": run == "n"} for run, side in told.items())
    again = drafts_of(*forth)
    for run, edit in drafts.items():
        one, other = edited(edit, BASE.get(run), ""), edited(again[run], BASE.get(run), "")
        assert one is other is None or (one is not None and other is not None and same_run(one, other))


def test_what_lies_beyond_the_end_is_left_out_and_said() -> None:
    run, notes = within(BASE["a"], 1.0, 1e-4)
    assert run.straps_at_m == (0.3,) and run.supports_at_m == (0.9,)
    assert len(notes) == 1 and "a strap lies beyond the end" in notes[0]
    assert within(BASE["a"], 1.49995, 1e-4) == (BASE["a"], ())
    _, notes = within(BASE["a"], 0.1, 1e-4)
    assert "2 straps lie" in notes[0] and "a support lies" in notes[1]


def test_drafts_that_were_left_behind_fit_or_are_kept_aside() -> None:
    left = [
        Edit("a", straps_at_m=(0.5,)),
        Edit("gone", straps_at_m=(0.5,)),
        Edit("b", corners_m=tuple(map(tuple, (CORNERS + 1.0).tolist())), cable="mc", start="box", added=True),
        Edit("n", corners_m=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)), cable="nm", added=True),
    ]
    drafts, misfits, why = taken({"a": Edit("a", cable="nm")}, left, BASE, ["mc", "nm"])
    assert set(drafts) == {"a", "n"}  # b was saved just before
    assert drafts["a"] == left[0]
    assert set(misfits) == {"gone"} and "no run gone" in why[0]


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ({"run": "x", "straps_at_m": [1]}, "there is no run x"),
        ({"run": "a", "added": True, "corners_m": [[0, 0, 0], [1, 1, 1]], "cable": "mc"}, "there is one"),
        ({"run": "n", "added": True, "cable": "mc"}, "needs its points and its cable"),
        ({"run": "a", "cable": "rope"}, "there is no cable 'rope'"),
        ({"run": "a", "straps_at_m": [0.1, float("inf")]}, "not finite"),
        ({"run": "a", "corners_m": [[0, 0, 0], [1e-7, 0, 0]]}, "two different points"),
        ({"run": "a\nb", "straps_at_m": []}, "must name its run"),
        ({"run": "a", "file": "/etc/passwd"}, "'file' cannot be changed"),
    ],
)
def test_a_wrong_edit_is_one_sentence(edit, said) -> None:
    with pytest.raises(EditError, match=said) as refused:
        drafts_of(edit)
    assert "\n" not in str(refused.value)
