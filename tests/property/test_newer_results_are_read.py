"""Whatever a newer minor version adds to results, what this version knows of them is read as before, and it is said."""

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.errors import InputError
from route3d.model.revision import Revision
from route3d.reports.results_read import read_results
from tests.scratch_project import Scratch

PATH = [(0, 0, 3000), (500, 0, 3000), (500, 150, 3000), (1000, 150, 3000)]
values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> tuple[Path, dict[str, Any]]:
    scratch = Scratch(tmp_path_factory.mktemp("newer"))
    scratch.run(PATH, straps=[300, 850])
    scratch.box("DUCT", (400, -100, 2900), (450, 100, 3100))
    scratch.role("DUCT", "duct")
    return scratch.folder / "newer.json", scratch.check().results


def objects(value: Any) -> list[dict[str, Any]]:
    """Return every object of a JSON value, the outer ones first."""
    if isinstance(value, dict):
        return [value, *(found for inner in value.values() for found in objects(inner))]
    if isinstance(value, list):
        return [found for inner in value for found in objects(inner)]
    return []


def told(revision: Revision) -> tuple[Any, ...]:
    runs = [(r.run_id, r.cable_id, r.verdict, r.length_m, r.corners_m.tolist()) for r in revision.runs]
    return (revision.project, revision.rules, revision.made, revision.unread, revision.inputs, revision.findings, runs)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_what_is_added_changes_nothing_that_is_read(results, data: st.DataObject) -> None:
    path, content = results
    path.write_text(json.dumps(content), encoding="utf-8")
    before = read_results(path)
    assert before.notes == ()
    newer = copy.deepcopy(content) | {"schema_version": f"1.{data.draw(st.integers(1, 999))}"}
    places = objects(newer)
    added = data.draw(st.lists(st.tuples(st.integers(0, len(places) - 1), st.text(max_size=6), values), max_size=5))
    for place, key, value in added:
        places[place][f"new_{key}"] = value
    path.write_text(json.dumps(newer), encoding="utf-8")
    after = read_results(path)
    assert told(after) == told(before)
    (note,) = after.notes
    assert f"in version {newer['schema_version']} of its format" in note
    assert ("new_" in note) == bool(added) and note.isprintable() and len(note) < 800


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_what_is_damaged_is_refused_in_one_sentence_or_read(results, data: st.DataObject) -> None:
    path, content = results
    damaged = copy.deepcopy(content)
    places = [place for place in objects(damaged) if place]
    place = places[data.draw(st.integers(0, len(places) - 1))]
    key = data.draw(st.sampled_from(sorted(place)))
    if data.draw(st.booleans()):
        del place[key]
    else:
        place[key] = data.draw(values)
    path.write_text(json.dumps(damaged), encoding="utf-8")
    said = "newer.json"
    try:
        read_results(path)
    except InputError as error:
        said = str(error)
    assert "newer.json" in said and "\n" not in said
