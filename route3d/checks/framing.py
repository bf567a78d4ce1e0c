"""Runs through and along joists and studs, and over them in attics."""

from __future__ import annotations

from route3d.checks.attic import attic_findings
from route3d.checks.bored import bored_findings
from route3d.checks.members import Members
from route3d.checks.nailing import nailing_findings
from route3d.checks.plates import Plates
from route3d.scene import Outcome, Scene


def check(scene: Scene) -> Outcome:
    """Judge bored holes, stretches along members where nails may reach, and guards in attics."""
    plates, members = Plates(scene.job), Members(scene.job)
    return Outcome(
        findings=(
            *bored_findings(scene, plates, members),
            *nailing_findings(scene, plates, members),
            *attic_findings(scene, members),
        )
    )
