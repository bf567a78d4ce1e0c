"""Runs through and along joists and studs, and over them in attics."""

from __future__ import annotations

from route3d.checks.attic import attic_findings
from route3d.checks.bored import bored_findings
from route3d.checks.members import Members
from route3d.checks.nailing import nailing_findings
from route3d.checks.plates import Plates
from route3d.checks.wide_openings import wide_opening_findings
from route3d.scene import Outcome, Scene


def check(scene: Scene) -> Outcome:
    """Judge holes and other openings, stretches along members where nails may reach, and guards in attics."""
    plates, members = scene.of_building(Plates, ("plate",)), scene.of_building(Members, ("framing",))
    return Outcome(
        findings=(
            *bored_findings(scene, plates, members),
            *wide_opening_findings(scene, plates),
            *nailing_findings(scene, plates, members),
            *attic_findings(scene, members),
        )
    )
