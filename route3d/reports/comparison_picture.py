"""A comparison as one plan: the runs of the later revision, and what became of each finding."""

from __future__ import annotations

import io
import textwrap
from typing import Any

import numpy as np

from route3d.compare import CHANGES, Comparison
from route3d.model.finding import CAUTION

# Colours that colour-blind readers keep apart (a palette of general use), and a shape for each change.
_LOOK = {
    "new": ("#d55e00", "X"),
    "worse": ("#e69f00", "^"),
    "stayed": ("#555555", "o"),
    "better": ("#56b4e9", "v"),
    "gone": ("#009e73", "P"),
}
_SIZE_IN = (13.33, 7.5)
_NAMED = 40


def comparison_png(comparison: Comparison, dots_per_inch: int = 144) -> bytes:
    """Return the plan as a PNG; findings without a place are counted beneath it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, dpi=dots_per_inch)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.05, 0.14, 0.93, 0.76))
    altered = {thing.name: thing.change for thing in comparison.runs if thing.change in ("new", "changed")}
    for run in comparison.new.runs:
        if len(run.corners_m):
            changed = run.run_id in altered
            colour, width = ("#0072b2", 2.2) if changed else ("#9aa4b0", 1.2)
            axes.plot(run.corners_m[:, 0], run.corners_m[:, 1], color=colour, linewidth=width, zorder=2)
    lost = {thing.name for thing in comparison.runs if thing.change == "gone"}
    shift = np.array(comparison.shift_m)
    for run in comparison.old.runs:
        if run.run_id in lost and len(run.corners_m):
            line = run.corners_m + shift
            axes.plot(line[:, 0], line[:, 1], color="#9aa4b0", linewidth=1.2, linestyle=":", zorder=1)
    placeless = 0
    for change in reversed(CHANGES):  # what is new lies on top
        at = [
            np.array(c.finding.point_m) + (shift if c.new is None else 0.0)
            for c in comparison.findings
            if c.change == change and c.finding.point_m is not None
        ]
        placeless += sum(c.change == change and c.finding.point_m is None for c in comparison.findings)
        colour, shape = _LOOK[change]
        points = np.array(at).reshape(-1, 3)
        axes.scatter(
            points[:, 0], points[:, 1], s=70, color=colour, marker=shape, edgecolors="black", linewidths=0.6, zorder=4,
            label=f"{change}: {comparison.counts[change]}",
        )  # fmt: skip
    named: dict[tuple[str, str | None], tuple[float, float]] = {}
    for c in comparison.findings:
        if c.change in ("new", "worse") and c.finding.point_m is not None:
            named.setdefault((c.finding.check, c.finding.run), c.finding.point_m[:2])
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.06)
    _name(axes, figure, list(named.items())[:_NAMED])
    axes.set_xlabel("x, m")
    axes.set_ylabel("y, m")
    axes.grid(color="#e3e6ea", linewidth=0.6)
    handles, labels = axes.get_legend_handles_labels()
    order = [labels.index(label) for change in CHANGES for label in labels if label.startswith(f"{change}:")]
    axes.legend([handles[k] for k in order], [labels[k] for k in order], loc="best", framealpha=0.95, fontsize=9)
    old, new = comparison.old, comparison.new
    title = f"{new.project}: what changed from {old.made or 'the earlier revision'} to {new.made or 'the later one'}"
    figure.text(0.05, 0.945, title.replace("$", r"\$")[:150], fontsize=13, weight="bold")
    figure.text(0.05, 0.915, _beneath(comparison, placeless), fontsize=8.5, color="#333333")
    figure.text(0.05, 0.02, textwrap.fill(CAUTION, 200), fontsize=8, color="#333333")
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _name(axes: Any, figure: Any, named: list[tuple[tuple[str, str | None], tuple[float, float]]]) -> None:
    """Write a name beside each place, one line higher or lower where another name is in the way."""
    figure.draw_without_rendering()  # now it is known where places are on the paper
    renderer = figure.canvas.get_renderer()
    taken: list[Any] = []
    for (check, run_id), place in sorted(named, key=lambda item: (item[1][1], item[1][0])):
        label = f"{check} {run_id if run_id is not None else ''}".strip()[:40].replace("$", r"\$")
        for up in (6, -13, 17, -24, 28):
            text = axes.annotate(label, place, xytext=(7, up), textcoords="offset points", fontsize=7, zorder=5)
            box = text.get_window_extent(renderer).expanded(1.04, 1.1)
            if not any(box.overlaps(other) for other in taken):
                break
            text.remove()
        else:
            continue  # no room: its mark is there, and the table names it
        taken.append(box)


def _beneath(comparison: Comparison, placeless: int) -> str:
    said = ["plan; blue: runs that are new or changed; dotted: runs that are gone"]
    if placeless:
        said.append(f"{placeless} findings have no place and are not drawn")
    if comparison.new.unread:
        said.append(f"{comparison.new.unread} things were not read and are not clear")
    return "; ".join(said)
