"""Files come whole or not at all, devices stay devices, and what never ends is not begun."""

from __future__ import annotations

import os
import stat
import sys
import threading
from pathlib import Path

import pytest

from importers.endless import MOST_BYTES, refuse_endless
from route3d.errors import InputError, UnreadableFileError
from route3d.files import plain_size, read_text, whole_file, write_whole

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pipes and modes of this system are different")


def test_a_pipe_is_written_into_and_stays_a_pipe(tmp_path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    write_whole(pipe, "whole")
    reader.join(10)
    assert got == [b"whole"] and stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_full_device_is_one_sentence() -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("there is no such device")
    with pytest.raises(InputError, match="No space left on device"), whole_file(Path("/dev/full")) as file:
        file.write(b"x" * 100_000)


@pytest.mark.parametrize("letter", ["a", "é", "水"])
def test_the_longest_name_that_the_system_takes_can_be_written(tmp_path, letter) -> None:
    size = len(letter.encode())
    path = tmp_path / (letter * ((255 - 4) // size) + ".csv")
    write_whole(path, "x")
    assert path.read_text() == "x" and len(list(tmp_path.iterdir())) == 1


def test_what_fails_half_way_leaves_the_old_file_and_nothing_else(tmp_path) -> None:
    path = tmp_path / "a.json"
    path.write_text("old")

    def half() -> None:
        with whole_file(path) as file:
            file.write(b"half")
            raise OSError(28, "the disk gave out")

    with pytest.raises(InputError, match="gave out"):
        half()
    assert path.read_text() == "old" and list(tmp_path.iterdir()) == [path]


def test_files_keep_from_others_what_the_user_keeps_from_them(tmp_path) -> None:
    before = os.umask(0o077)
    try:
        write_whole(tmp_path / "a", "x")
        assert os.umask(0o077) == 0o077
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o600


def test_text_that_no_file_can_hold_is_written_escaped(tmp_path) -> None:
    write_whole(tmp_path / "a", "E\udcff")
    assert (tmp_path / "a").read_text() == "E\\udcff"


def test_what_is_no_plain_file_is_refused_unopened(tmp_path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    cases = (("pipe", "no plain file"), (".", "no plain file"), ("loop", "cannot be opened"), ("x" * 300, "too long"))
    for name, words in cases:
        with pytest.raises(UnreadableFileError, match=words):
            read_text(tmp_path / name, 100)
    with pytest.raises(UnreadableFileError, match="cannot be opened"):
        plain_size(tmp_path / "a\0b", 100)


def test_ten_gigabytes_are_refused_and_zeros_are_named(tmp_path) -> None:
    for name, size, words in (("a.dxf", 10 * 2**30, "GB|MB"), ("a.ifc", 10 * 2**30, "zeros"), ("b.obj", 5000, "zeros")):
        with (tmp_path / name).open("wb") as file:
            file.truncate(size)  # sparse: it takes no room
        with pytest.raises(UnreadableFileError, match=words):
            refuse_endless(tmp_path / name, name)
    assert MOST_BYTES < 10 * 2**30
    (tmp_path / "c.dxf").write_bytes(b"  0\nSECTION\n")
    refuse_endless(tmp_path / "c.dxf", "c.dxf")
