"""Compare 100,000 random hard cases with slow plain code: ``python tests/speed/prove_clearance.py [cases] [seed]``.

Prints the worst disagreement. A reported distance above the true one, a pair that is missed, or a place that is not
at its distance is a failure. The plain code itself may miss the deepest valley of an arc, so a distance below its
answer is told, and is proven by its place.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reference"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from kernel_cases import BOUND_M, CASES, judge


def main():
    """Judge scene after scene; exit with 1 on a disagreement above the bound."""
    scenes = (int(float(sys.argv[1])) if len(sys.argv) > 1 else 100_000) // CASES
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    worst = [0.0, 0.0, 0.0]
    missed = in_range = 0
    bad = []
    for seed in range(first, first + scenes):
        verdict = judge(seed)
        worst = [max(a, b) for a, b in zip(worst, verdict[:3], strict=True)]
        missed += verdict.missed
        in_range += verdict.in_range
        if verdict.missed or max(verdict.above_truth, verdict.place_off) > BOUND_M:
            bad.append(seed)
        if (seed - first + 1) % 50 == 0 or seed == first + scenes - 1:
            print(
                f"{(seed - first + 1) * CASES:,} cases, {in_range:,} in range: above truth {worst[0]:.2e} m, below "
                f"{worst[1]:.2e} m, place off {worst[2]:.2e} m, missed {missed}, bad seeds {bad[:10]}",
                flush=True,
            )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
