"""A project to write and check, fresh for each test."""

import pytest

from tests.scratch_project import Scratch


@pytest.fixture
def scratch(tmp_path) -> Scratch:
    return Scratch(tmp_path)
