"""``route3d decide``: what the meeting decided about a finding, kept from week to week."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import click
from rich.markup import escape
from rich.table import Table

from importers.project_file import nearest
from route3d.cli.common import CLEAR, read_and_check
from route3d.cli.keeping import keep, summary_line
from route3d.clock import now
from route3d.errors import InputError
from route3d.handover.bcf import TakenIn, take_in
from route3d.model.decision import DECISIONS, Decision, Matter, by_finding
from route3d.model.finding import CAUTION
from route3d.reports.bcf_topic import plain
from route3d.reports.console import Console
from route3d.store.decisions import decide, history, matters
from route3d.store.opening import store_path


@click.command("decide")
@click.argument("findings", nargs=-1)
@click.option("--project", type=click.Path(path_type=Path), default=Path("."), help="Project folder or route3d.toml.")
@click.option("--as", "decided", type=click.Choice(DECISIONS), help="The decision; the last two need a --note.")
@click.option("--by", default="", metavar="NAME", help="Who decides.")
@click.option("--note", default="", metavar="TEXT", help="The reason, or what to do.")
@click.option("--owner", default="", metavar="NAME", help="Who has to act.")
@click.option("--due", default="", metavar="DATE", help="Until when, as 2026-01-31.")
@click.option(
    "--from-bcf",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Take over comments and statuses of others from a BCF file.",
)
@click.option("--list", "listed", is_flag=True, help="List every matter with its decision.")
@click.option("--history", "told", is_flag=True, help="Tell everything that happened to FINDINGS.")
def decide_command(
    findings: tuple[str, ...],
    project: Path,
    decided: str | None,
    by: str,
    note: str,
    owner: str,
    due: str,
    from_bcf: Path | None,
    listed: bool,
    told: bool,
) -> int:
    """Decide about FINDINGS: ids that `route3d check` prints, or numbers that `--list` shows.

    Decisions live beside the project, in a database whose history is never changed. The project is checked first, so
    that a finding is known again when geometry shifted, runs were renamed or drawings came with new handles; what a
    check no longer finds is marked as mended, what returns is opened again. From then on `route3d check` keeps record.

    --from-bcf adds comments under the names of their authors. The statuses Open, Active, New and Reopened become open,
    To mend, Assigned and In progress become to-mend, Accepted and Not ours are taken over with a comment of the same
    author as reason; every other status is kept as a note. Nothing but a check says that something is mended.
    """
    read, review = read_and_check(project)
    keep(read, review)
    path = store_path(read.path)
    known = matters(path)
    console = Console(highlight=False, soft_wrap=False)
    if from_bcf is not None:
        _print_taken(console, take_in(path, from_bcf))
        known = matters(path)
    numbers = _numbers(findings, known, path)
    if decided is not None:
        if not numbers:
            raise InputError(path.name, "nothing to decide about; name the findings", "FINDINGS")
        decide(path, numbers, Decision(now(), by.strip(), decided, note.strip(), owner.strip(), due.strip()))
        known = matters(path)
    if listed or not (findings or from_bcf):
        console.print(_table(known))
    else:
        for number in numbers:
            _print_one(console, known[number - 1], path, told)
    console.print(summary_line(known), markup=False)
    console.print(CAUTION, style="dim", markup=False)
    console.print("Next: `route3d check` keeps record of what is mended and what comes back.", markup=False)
    return CLEAR


def _numbers(findings: Sequence[str], known: Sequence[Matter], path: Path) -> list[int]:
    """Return the matters that are meant by ids of findings or by numbers."""
    by_id = {matter.finding.finding_id: matter.number for matter in known}
    by_id |= {finding_id: matter.number for finding_id, matter in by_finding(known).items()}
    numbers = []
    for given in findings:
        if given.isascii() and given.isdigit() and 1 <= int(given) <= len(known):
            numbers.append(int(given))
        elif given in by_id:
            numbers.append(by_id[given])
        else:
            raise InputError(path.name, f"has no finding {given!r}.{nearest(given, list(by_id))}", "FINDINGS")
    return numbers


def _print_taken(console: Console, taken: TakenIn) -> None:
    console.print(
        f"took over {taken.comments} comments and {taken.decisions} decisions; {taken.known} were here already",
        markup=False, soft_wrap=True,
    )  # fmt: skip
    for words in taken.untaken:
        console.print(f"  kept as a note only: {words}", markup=False, soft_wrap=True)
    for title in taken.foreign:
        console.print(f"  none of our findings: {plain(title)}", markup=False, soft_wrap=True)


def _table(known: Iterable[Matter]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("no.", "decided", "stands", "owner", "due", "check", "run", "finding", "what"):
        table.add_column(heading, overflow="fold")
    for matter in known:
        finding = matter.finding
        stands = matter.presence + (" ?" if matter.ambiguous else "")
        cells = (
            matter.decided, stands, matter.owner, matter.due, finding.check, finding.run or "–", finding.finding_id,
            matter.note or finding.message,
        )  # fmt: skip
        table.add_row(str(matter.number), *(escape(cell) for cell in cells))
    return table


def _print_one(console: Console, matter: Matter, path: Path, told: bool) -> None:
    finding = matter.finding
    console.print(f"{matter.number} · {finding.finding_id} · {finding.run or '–'}: {finding.message}", markup=False)
    console.print(f"  {matter.presence}, {matter.decided}; first found {matter.since}", markup=False)
    if matter.ambiguous:
        console.print("  its last match could have been another finding: look at it", markup=False)
    if not told:
        return
    decisions, events = history(path, matter.number)
    lines = [(d.at, f"{d.by}: {d.decided}" + "".join(f"; {part}" for part in (d.note, d.owner, d.due) if part))
             for d in decisions]  # fmt: skip
    lines += [(event.at, f"{event.kind}: {event.why}") for event in events]
    for at, words in sorted(lines, key=lambda line: line[0]):
        console.print(f"  {at}  {words}", markup=False)
