"""Files that no reader should begin: what never ends, what would fill the memory, and what is nothing but zeros."""

from __future__ import annotations

from pathlib import Path

from route3d.errors import UnreadableFileError
from route3d.files import NO_LIMIT, plain_size, why

# Scans and IFC models are read piece by piece, or by a child process with a limit; all else is held in memory.
STREAMED = frozenset({".e57", ".ifc", ".ifczip", ".las", ".laz"})
MOST_BYTES = 4_000_000_000
_START = 4096


def refuse_endless(path: Path, name: str) -> None:
    """Look at a file before anything reads it; ``name`` is how messages call it.

    Raises
    ------
    UnreadableFileError
        It is missing, no plain file, too large to be held in memory, or begins with thousands of zeros.
    """
    try:
        size = plain_size(path, NO_LIMIT if path.suffix.lower() in STREAMED else MOST_BYTES)
        with path.open("rb") as file:
            start = file.read(_START)
    except UnreadableFileError as error:
        raise UnreadableFileError(name, error.message) from error
    except OSError as error:
        raise UnreadableFileError(name, f"cannot be opened ({why(error)}); check who may read it") from error
    if size >= _START and not any(start):
        raise UnreadableFileError(name, "begins with nothing but zeros, as after a broken copy: copy it again")
