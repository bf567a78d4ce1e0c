"""Checks drawn 3D cable routes before the pull.

``route3d.load``, ``fit_cable``, ``check`` and ``report`` do in Python what the commands do: see ``route3d.api``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from route3d.api import (
        CAUTION,
        Bend,
        BendRequirement,
        Cable,
        CheckedProject,
        Finding,
        FittedRun,
        InputError,
        Project,
        Route3DError,
        Run,
        RunReview,
        Step,
        check,
        fit_cable,
        load,
        report,
        required_bend,
    )

__version__ = "0.1.0"

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
    """Import ``route3d.api`` when one of its names is first asked for: commands need not wait for all of it."""
    if name in __all__:
        from route3d import api

        return getattr(api, name)
    raise AttributeError(f"module 'route3d' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
