"""One file per check; each is a function from a ``Scene`` to an ``Outcome``."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from route3d.checks import (
    bend,
    bundle,
    clash,
    clearance,
    deck,
    environment,
    framing,
    input,
    penetration,
    securing,
    separation,
    supporting,
)
from route3d.scene import Outcome, Scene

# In the order in which people read them.
CHECKS: Mapping[str, Callable[[Scene], Outcome]] = {
    "bend": bend.check,
    "clash": clash.check,
    "clearance": clearance.check,
    "securing": securing.check,
    "supporting": supporting.check,
    "environment": environment.check,
    "framing": framing.check,
    "deck": deck.check,
    "bundle": bundle.check,
    "separation": separation.check,
    "penetration": penetration.check,
    "input": input.check,
}
