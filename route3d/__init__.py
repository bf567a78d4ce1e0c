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
    from route3d.model.finding import CAUTION, Finding, RunReview, Step
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


def __getattr__(name: str) -> object:
    """Import ``route3d.api`` when one of its names is first asked for: a command need not wait for all of it."""
    if name in __all__:
        return getattr(import_module("route3d.api"), name)
    raise AttributeError(f"module 'route3d' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
