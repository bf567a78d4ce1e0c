"""Every exception that route3d raises on purpose.

    Route3DError
    ├─ InputError             a file, and where in it: what is wrong and how to mend it
    │  ├─ UnreadableFileError
    │  ├─ UnknownUnitError    the unit of length is never guessed
    │  └─ ProjectKeyError     names the nearest known key
    ├─ RuleBookError          a rule file: file, key, what was expected
    ├─ StoreError             the database of decisions cannot be opened, brought up to date or written
    ├─ ClusterError           an engine that cannot be reached or used
    └─ MissingExtraError      which optional part to install

A run that breaks a rule is a ``Finding``, never an exception. A wrong argument inside the code is a ``ValueError``.
"""

from __future__ import annotations


class Route3DError(Exception):
    """Base of every error that a user can mend; its text is one sentence."""


class InputError(Route3DError):
    """An input that cannot be used: ``file`` and ``where`` (handle, layer or key) say which part of it."""

    def __init__(self, file: object, message: str, where: str | None = None) -> None:
        self.file = str(file)
        self.where = where
        self.message = message
        place = f"{self.file}: {where}" if where else self.file
        super().__init__(f"{place}: {message}")


class UnreadableFileError(InputError):
    """A file that is missing, damaged beyond recovery, or of a kind that cannot be read."""


class UnknownUnitError(InputError):
    """A file that states no unit of length, and nobody stated one for it."""


class ProjectKeyError(InputError):
    """A key or a value in the project file that is not known or not allowed."""


class RuleBookError(Route3DError):
    """A rule file that cannot be used."""


class StoreError(Route3DError):
    """The database of decisions cannot be used; the message says why and what to do."""


class ClusterError(Route3DError):
    """An engine that cannot be reached, has no workers or other versions than this machine, or was lost."""


class MissingExtraError(Route3DError):
    """A command that needs an optional part which is not installed."""
