"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from route3d.errors import InputError


def write_whole(path: Path, content: str | bytes) -> None:
    """Write text (as UTF-8) or bytes to ``path``: to a temporary file beside it first, which then takes its place.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content if isinstance(content, bytes) else content.encode("utf-8"))
            Path(temporary).chmod(0o644)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(path, f"cannot be written ({error.strerror}); choose another place") from error
