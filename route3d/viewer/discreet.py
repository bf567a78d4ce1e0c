"""Keeps the folders of this machine out of everything that leaves it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path, PurePosixPath, PureWindowsPath


class Discreet:
    """Takes known folders out of texts: the project's and the user's, and those of inputs named by their whole path."""

    def __init__(self, folder: Path, files: Iterable[str] = ()) -> None:
        self._swaps: dict[str, str] = {}
        for known in {str(folder.resolve()), str(folder.absolute())}:
            self._swaps |= {known + "/": "", known + "\\": "", known: "."}
        with suppress(RuntimeError):  # nobody's home: a user that the system does not know
            self._swaps[str(Path.home())] = "~"
        self.learn(files)

    def learn(self, files: Iterable[str]) -> None:
        """Know more inputs, by their names as the project writes them."""
        for name in files:
            for kind in (PurePosixPath(name), PureWindowsPath(name)):
                if kind.is_absolute():
                    self._swaps[name] = kind.name
        # in JSON each backslash is written twice
        self._swaps |= {text.replace("\\", "\\\\"): short for text, short in self._swaps.items()}
        # the longest first, so that a folder inside another one is not left half; and whole names only
        self._names = sorted((text for text in self._swaps if len(text) > 1), key=len, reverse=True)
        self._known = re.compile(
            "|".join(
                rf"(?<![\w.~-]){re.escape(text)}" + ("" if text[-1] in "/\\" else r"(?![\w-])") for text in self._names
            )
        )

    def __call__(self, text: str) -> str:
        """Return the text without these folders."""
        # looking for plain words first is a hundred times faster, and megabytes go through here
        if not any(name in text for name in self._names):
            return text
        return self._known.sub(lambda found: self._swaps[found.group()], text)
