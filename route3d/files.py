"""Files that appear whole or not at all, and files of others that are read with a limit."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from route3d.errors import InputError, UnreadableFileError

NO_LIMIT = 1 << 62
_NAME_KEPT = 40  # letters of the target's name in the temporary one: a name may be 255 bytes long, with what is added


def plain_size(path: Path, most: int) -> int:
    """Return the size in bytes of a plain file; what would never end, or would fill the memory, is refused unopened.

    Raises
    ------
    UnreadableFileError
        It is not there, is no plain file (a folder, a pipe, a device), or is larger than ``most`` bytes.
    """
    try:
        found = path.stat()
    except (OSError, ValueError) as error:
        raise UnreadableFileError(
            path, f"cannot be opened ({why(error)}); check the name and who may read it"
        ) from error
    if not stat.S_ISREG(found.st_mode):
        raise UnreadableFileError(path, "is no plain file; name one")
    if found.st_size > most:
        raise UnreadableFileError(
            path,
            f"has {found.st_size / 1e9:.3g} GB, more than the {most / 1e9:.3g} GB that are read here; check what it is",
        )
    return found.st_size


def read_text(path: Path, most: int) -> str:
    """Return a text file (UTF-8, with or without a mark) of at most ``most`` bytes.

    Raises
    ------
    UnreadableFileError
        As ``plain_size``; or it is no such text.
    """
    plain_size(path, most)
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UnreadableFileError(path, f"cannot be read ({why(error)}); check who may read it") from error
    except UnicodeDecodeError as error:
        raise UnreadableFileError(path, "cannot be read as UTF-8 text; save it as UTF-8") from error


def why(error: Exception) -> str:
    """Return the system's reason, without the path that its message repeats."""
    said = getattr(error, "strerror", None)
    return str(said) if said else str(error) if str(error) else type(error).__name__


def write_whole(path: Path, content: str | bytes) -> None:
    """Write text (as UTF-8) or bytes to ``path``; see ``whole_file``.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    with whole_file(path) as file:
        file.write(content if isinstance(content, bytes) else content.encode("utf-8", "backslashreplace"))


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Give a file that takes its place at ``path`` when it is complete: it is written beside it, under another name.

    What is no plain file (a terminal, a pipe, ``/dev/null``) is written into, never replaced.

    Raises
    ------
    InputError
        The folder cannot be written to, or the disk gave out; what was at ``path`` is still there then.
    """
    try:
        if _is_special(path):
            with path.open("wb") as file:
                yield file
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:_NAME_KEPT]}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                yield file
            Path(temporary).chmod(0o666 & ~_umask())
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(path, f"cannot be written ({why(error)}); choose another place, or free some space") from error


def _is_special(path: Path) -> bool:
    try:
        mode = path.stat().st_mode
    except OSError:
        return False
    return not stat.S_ISREG(mode) and not stat.S_ISDIR(mode)


def _umask() -> int:
    """Return what the user keeps from others; asking for it means setting it, so it is set back at once."""
    now = os.umask(0o077)
    os.umask(now)
    return now
