"""What tests in several folders share."""

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.scratch_project import call


@dataclass(frozen=True)
class Demonstrated:
    """What `route3d demo` did in an empty folder: where, and what it printed on a terminal of 100 columns."""

    folder: Path
    status: int
    output: str


@pytest.fixture(scope="session")
def demonstrated(tmp_path_factory: pytest.TempPathFactory) -> Demonstrated:
    """`route3d demo`, once for all tests; its pictures take half a minute on a slow machine. Copy what you change."""
    folder = tmp_path_factory.mktemp("demo")
    here = Path.cwd()
    os.chdir(folder)
    try:
        status, output = call("demo", columns=100)
    finally:
        os.chdir(here)
    return Demonstrated(folder / "route3d-demo", status, output)
