"""How each run is held, judged once for all checks that speak of it."""

from __future__ import annotations

from route3d.rules.held import HeldRun, held_run
from route3d.rules.securing import Holding, judge_holding
from route3d.scene import Scene


def held(scene: Scene, i: int) -> tuple[HeldRun, Holding]:
    """Return a run as the securing and supporting rules look at it, and their judgement."""
    fitted, attachment, zones = scene.fitted[i], scene.attached[i], scene.zones[i]
    read = (scene.job, scene.rules, fitted, attachment, zones)
    known = scene.holding.get(i)
    # a copy of a scene shares what was found, but may hold the run otherwise
    if known is not None and all(one is other for one, other in zip(known[0], read, strict=True)):
        return known[1]
    cable = scene.job.cables[fitted.run.cable_id]
    run = held_run(cable, scene.job.occupancy, fitted.pieces, attachment, zones, scene.job.zones)
    found = run, judge_holding(run, scene.rules)
    scene.holding[i] = read, found
    return found
