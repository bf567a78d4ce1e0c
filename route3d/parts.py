"""What route3d is made of besides its own code: the libraries that it needs, and those of its optional parts.

The package's own metadata is asked, so that nothing here can disagree with what ``pip install`` does.
"""

from __future__ import annotations

import importlib.metadata
from dataclasses import dataclass

from packaging.requirements import Requirement

# extra -> what it is for; others (tests, lint) are no parts for users
OPTIONAL = {
    "ifc": "IFC models (.ifc, .ifczip)",
    "points": "laser scans (.las, .laz, .e57)",
    "cluster": "`route3d check --cluster`",
}

# library -> the commands that need it; what is not named is needed by every check
NEEDED_BY = {
    "jinja2": "check --out, report --plain-html",
    "matplotlib": "explain --strip, rules --figure, compare --picture, takeoff --sheets",
    "pillow": "pictures",
    "pyvista": "pictures, view --window",
    "reportlab": "report --pdf, straps --layout, takeoff --sheets",
    "starlette": "view",
    "tomlkit": "view, straps --write, mend --write",
    "uvicorn": "view",
    "watchfiles": "watch, view",
    "websockets": "view",
    "xlsxwriter": "report --xlsx, takeoff --xlsx",
}


@dataclass(frozen=True, slots=True)
class Library:
    """A library that route3d uses, as it is installed here."""

    name: str
    asked: str  # ">=1.26"
    version: str | None  # None: not installed
    extra: str  # of which optional part; "": needed always

    @property
    def commands(self) -> str:
        """The commands that need it."""
        return NEEDED_BY.get(self.name, "check")

    @property
    def fits(self) -> bool:
        """Whether it is there, and not too old."""
        return self.version is not None and Requirement(f"x{self.asked}").specifier.contains(self.version, True)


def libraries() -> tuple[Library, ...]:
    """Return what route3d needs, then what its optional parts need; empty where it was never installed."""
    try:
        lines = importlib.metadata.requires("route3d")
    except importlib.metadata.PackageNotFoundError:
        lines = None
    found = []
    for line in lines or ():
        requirement = Requirement(line)
        for extra in ("", *OPTIONAL):
            marker = requirement.marker
            if marker is None or marker.evaluate({"extra": extra}):
                found.append(Library(requirement.name, str(requirement.specifier), _version(requirement.name), extra))
                break
        # what only tests need is asked for by no extra above
    return tuple(sorted(found, key=lambda library: (bool(library.extra), library.extra, library.name)))


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None
