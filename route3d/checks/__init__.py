"""One file per check, and what each of them reads.

A check judges the runs that ``Scene.judged`` names, each by what the scene holds of that run and by the building. What
it may read of other runs is only: the name of one that a gap leads to, and for a check of ``company`` the sections and
approaches (no other check is shown these) with the lines, cables and names of the runs in them. What it has to say of
the job as a whole is a second function. Re-checking after an edit and checking in parts rest on this.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

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
from route3d.model.finding import Finding
from route3d.scene import Outcome, Scene


@dataclass(frozen=True, slots=True)
class Check:
    """One check."""

    runs: Callable[[Scene], Outcome]
    whole: Callable[[Scene], tuple[Finding, ...]] | None = None  # of the job, not of one run
    company: bool = False  # it reads which runs lie beside a run or come too near to it

    def __call__(self, scene: Scene) -> Outcome:
        """Return all that the check says of the judged runs and of the job."""
        outcome = self.runs(scene)
        said = () if self.whole is None else self.whole(scene)
        return Outcome((*outcome.findings, *said), outcome.bends, outcome.spans, outcome.smallest_gap_m)


# In the order in which people read them.
CHECKS: Mapping[str, Check] = {
    "bend": Check(bend.check),
    "clash": Check(clash.check),
    "clearance": Check(clearance.check, clearance.whole),
    "securing": Check(securing.check),
    "supporting": Check(supporting.check),
    "environment": Check(environment.check),
    "framing": Check(framing.check),
    "deck": Check(deck.check),
    "bundle": Check(bundle.check, bundle.whole, company=True),
    "separation": Check(separation.check, company=True),
    "penetration": Check(penetration.check),
    "input": Check(input.check, input.whole),
}
