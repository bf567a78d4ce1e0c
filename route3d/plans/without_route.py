"""What a plan says of runs that have no route yet, so that nobody takes its silence for nothing to do."""

from __future__ import annotations

from collections.abc import Sequence

IN_TAKE_OFF = "this take-off (cable, coils, straps, material)"
_SHOWN = 12


def left_out(run_ids: Sequence[str], of_what: str) -> tuple[str, ...]:
    """Return the sentence that runs given by their ends only are not in a plan; none where there are none."""
    if not run_ids:
        return ()
    names = ", ".join(run_ids[:_SHOWN])
    more = f" and {len(run_ids) - _SHOWN} more" if len(run_ids) > _SHOWN else ""
    who, them = ("1 run has", "it") if len(run_ids) == 1 else (f"{len(run_ids)} runs have", "them")
    found = "`route3d propose` finds routes"
    return (f"{who} no route yet, and nothing of {them} is in {of_what}: {names}{more}; {found}",)
