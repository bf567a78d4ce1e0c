"""Strap plans on the terminal: a table of runs, then what stands in the way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from rich.console import RenderableType
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from route3d.model.finding import CAUTION
from route3d.model.plan import StrapPlan
from route3d.plans.without_route import left_out
from route3d.reports.console import Console
from route3d.units import both_units

RUNS_SHOWN = 60


def print_straps(
    plans: Sequence[StrapPlan],
    project: str,
    rules: str,
    console: Console,
    *,
    everything: bool,
    strap_by_strap: bool,
    not_routed: Sequence[str] = (),
) -> None:
    """Print strap plans; runs that need none come last, and are cut first unless ``everything`` is asked for."""
    console.print(Text(f"{project} · {rules}", style="bold"))
    shown = sorted(plans, key=lambda p: (not p.stuck, not p.added and not p.refused_at_m))
    cut = shown if everything else shown[:RUNS_SHOWN]
    console.print(_runs(cut))
    if len(cut) < len(shown):
        console.print(Text(f"… and {len(shown) - len(cut)} more runs; --all shows them", style="dim"))
    if strap_by_strap:
        for plan in cut:
            console.print(_straps(plan))
    for part in _stuck(cut):
        console.print(part)
    for part in _notes(plans):
        console.print(part)
    added = sum(p.added for p in plans)
    stuck = sum(bool(p.stuck) for p in plans)
    kept = sum(strap.existing for p in plans for strap in p.straps)
    console.print(
        Text(
            f"\nruns {len(plans)} · straps to add {added} · kept {kept} · runs that lack a place for a strap {stuck}",
            style="bold",
        )
    )
    for sentence in left_out(not_routed, "these plans"):
        console.print(Text(f"{sentence}.", style="yellow"))
    console.print(Text(CAUTION, style="dim"))


def _runs(plans: Iterable[StrapPlan]) -> RenderableType:
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("run", overflow="fold")
    for heading in ("length", "kept", "add", "fewest"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("straps to add at, from the start", overflow="fold")
    table.add_column("", no_wrap=True)
    for plan in plans:
        new = [strap for strap in plan.straps if not strap.existing]
        state = Text("✘ no place", style="bold red") if plan.stuck else Text("✔ held", style="cyan")
        table.add_row(
            escape(plan.run_id),
            f"{plan.length_m:.2f} m",
            str(sum(strap.existing for strap in plan.straps)),
            str(plan.added),
            "–" if plan.fewest is None else str(plan.fewest),
            ", ".join(f"{strap.at_m:.3f}" for strap in new),
            state,
        )
    return table


def _straps(plan: StrapPlan) -> RenderableType:
    table = Table(box=None, pad_edge=False, header_style="bold", title=escape(plan.run_id), title_justify="left")
    for heading in ("strap", "from the start", "x y z"):
        table.add_column(heading, justify="right", no_wrap=True)
    for heading in ("", "held by", "shared with"):
        table.add_column(heading, overflow="fold")
    for number, strap in enumerate(plan.straps, start=1):
        by = "" if strap.holder is None else f"{strap.holder_role} {strap.holder}"
        if strap.reach_m is not None:
            by += f", {both_units(strap.reach_m)}"
        table.add_row(
            str(number),
            both_units(strap.at_m),
            " ".join(f"{x:.3f}" for x in strap.point_m),
            "kept" if strap.existing else "add",
            escape(by),
            escape(", ".join(strap.shared_with)),
        )
    for at_m in plan.refused_at_m:
        table.add_row("", both_units(at_m), "", "take out", "only what may not hold it", "")
    return table


def _stuck(plans: Iterable[StrapPlan]) -> Iterable[RenderableType]:
    for plan in plans:
        for stuck in plan.stuck:
            head = Text("✘ no place ", style="bold red")
            head.append(f"{stuck.check}  {plan.run_id}", style="bold")
            head.append(f"  {stuck.rule}", style="dim")
            yield head
            yield Padding(Text(stuck.why), (0, 0, 0, 6))
            yield Padding(Text(f"→ {stuck.remedy}"), (0, 0, 0, 6))


def _notes(plans: Sequence[StrapPlan]) -> Iterable[RenderableType]:
    count = Counter(note for plan in plans for note in plan.notes)
    first = {note: plan.run_id for plan in reversed(plans) for note in plan.notes}
    for note, runs in count.items():
        whom = first[note] if runs == 1 else f"{runs} runs"
        yield Text(f"· {whom}: {note}", style="yellow")
