"""Machine code is run as it is found on disk: it is kept only where nobody else can write."""

from __future__ import annotations

import sys

import pytest

from route3d.kernel.compiled import _writable

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="rights are told differently there")


@pytest.mark.parametrize(
    ("mode", "kept"), [(0o700, True), (0o755, True), (0o775, False), (0o777, False), (0o1777, False)]
)
def test_a_folder_that_others_can_write_to_keeps_no_machine_code(tmp_path, mode, kept) -> None:
    folder = tmp_path / "kernel"
    folder.mkdir()
    folder.chmod(mode)
    assert _writable(folder) is kept


def test_a_new_folder_is_for_its_user_alone(tmp_path) -> None:
    assert _writable(tmp_path / "a" / "b") and (tmp_path / "a" / "b").stat().st_mode & 0o077 == 0
