"""``python -m tests.fuzz [TARGET …]``: fuzz for as long as it is let; see the package's docstring."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.fuzz.loop import fuzz
from tests.fuzz.targets import TARGETS


def main() -> int:
    """Fuzz the targets that are named, one after the other; 1 where something broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)}; none: all")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each target (60)")
    parser.add_argument("--seed", type=int, default=int(time.time()), help="same seed, same inputs (the clock)")
    parser.add_argument("--blind", action="store_true", help="do not look at which lines are reached")
    parser.add_argument("--keep", type=Path, help="where inputs that broke something are kept")
    asked = parser.parse_args()
    unknown = [name for name in asked.targets if name not in TARGETS]
    if unknown:
        parser.error(f"{unknown[0]} is none of {', '.join(TARGETS)}")
    keep = Path(tempfile.mkdtemp(prefix="fuzz-")) if asked.keep is None else asked.keep
    broken = 0
    print(f"seed {asked.seed}; inputs that break something are kept in {keep}")
    for name in asked.targets if asked.targets else TARGETS:
        folder = keep / name
        folder.mkdir(parents=True, exist_ok=True)
        told = fuzz(TARGETS[name], folder, seed=asked.seed, tries=None, seconds=asked.seconds, guided=not asked.blind)
        answers = ", ".join(f"{count} {word}" for word, count in sorted(told.answers.items()))
        print(f"{name}: {told.tried} tried, {told.kept} kept for {told.lines} lines of ours: {answers}", flush=True)
        for signature, (what, path) in told.faults.items():
            broken += 1
            print(f"  BROKE {signature}\n    {path}\n    {what.strip().splitlines()[-1][:300]}", flush=True)
    return int(broken > 0)


if __name__ == "__main__":
    raise SystemExit(main())
