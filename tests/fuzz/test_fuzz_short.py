"""A short, seeded fuzz of every way in; ``python -m tests.fuzz`` goes on for as long as it is let."""

from __future__ import annotations

import importlib.util
import os

import pytest

from tests.fuzz.loop import fuzz
from tests.fuzz.targets import TARGETS

# tries, and seconds after which a slow machine may stop: what runs whole commands is slow
SHORT = {
    "project": (150, 1.5), "rules": (100, 0.8), "dxf": (40, 1.5), "routes": (30, 1.0), "mesh": (150, 1.5),
    "results": (30, 1.0), "bcf": (60, 1.0), "edits": (300, 0.8), "journal": (300, 0.8), "store": (4, 1.0),
    "commands": (5, 1.5), "bcf-taken": (2, 0.8), "ifc": (2, 1.0), "scan": (3, 1.0),
}  # fmt: skip
NEEDS = {"ifc": "ifcopenshell", "scan": "laspy"}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="each input is tried in a forked process")
@pytest.mark.parametrize("name", TARGETS)
def test_nothing_breaks(name, tmp_path) -> None:
    if name in NEEDS and importlib.util.find_spec(NEEDS[name]) is None:
        pytest.skip(f"{NEEDS[name]} is not installed")
    tries, seconds = SHORT[name]
    told = fuzz(TARGETS[name], tmp_path, seed=1, tries=tries, seconds=seconds, guided=False)
    assert told.tried > 0
    assert not told.faults, "\n".join(what for what, _ in told.faults.values())
