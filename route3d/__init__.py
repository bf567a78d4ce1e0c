"""Checks drawn 3D cable routes before the pull.

``route3d.load``, ``fit_cable``, ``check`` and ``report`` do in Python what the commands do: see ``route3d.api``.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from route3d.version import VERSION

if TYPE_CHECKING:
    from route3d.api import CheckedProject, check, fit_cable, load, report, required_bend
    from route3d.errors import InputError, Route3DError
    from route3d.model.cable import Cable
    from route3d.model.caution import CAUTION
    from route3d.model.finding import Finding, RunReview, Step
    from route3d.model.run import Bend, FittedRun, Run
    from route3d.project import Project
    from route3d.rules.bend import BendRequirement

__version__ = VERSION

__all__ = [
    "CAUTION",
    "Bend",
    "BendRequirement",
    "Cable",
    "CheckedProject",
    "Finding",
    "FittedRun",
    "InputError",
    "Project",
    "Route3DError",
    "Run",
    "RunReview",
    "Step",
    "__version__",
    "check",
    "fit_cable",
    "load",
    "report",
    "required_bend",
]


# module -> what it gives to the package
_GIVEN_BY = {
    "route3d.api": ("CheckedProject", "check", "fit_cable", "load", "report", "required_bend"),
    "route3d.errors": ("InputError", "Route3DError"),
    "route3d.model.cable": ("Cable",),
    "route3d.model.caution": ("CAUTION",),
    "route3d.model.finding": ("Finding", "RunReview", "Step"),
    "route3d.model.run": ("Bend", "FittedRun", "Run"),
    "route3d.project": ("Project",),
    "route3d.rules.bend": ("BendRequirement",),
}


def __getattr__(name: str) -> object:
    """Import a name when it is first asked for: a command need not wait for all of them."""
    for module, names in _GIVEN_BY.items():
        if name in names:
            return getattr(import_module(module), name)
    raise AttributeError(f"module 'route3d' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
