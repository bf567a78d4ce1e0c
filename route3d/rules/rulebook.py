"""A rule set: every number that a check compares with, and where it is written.

Shipped editions are the ``nec-*.toml`` beside this file; a project may bring its own file, which ``extends`` one of
them and overrides entries by key.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TypeVar

from route3d.errors import InputError, RuleBookError
from route3d.files import read_text
from route3d.rules.parse import Table, build_entries, merge, parse_table
from route3d.rules.records import (
    BendRule,
    BendTotalRule,
    BundleRule,
    BurialRule,
    DeckRule,
    Entry,
    EnvironmentRule,
    ExemptionRule,
    FirstStrapRule,
    HoldRule,
    LimitRule,
    RacewayBendRule,
    RacewayRadius,
    WorkingSpaceRule,
)

SHIPPED = ("nec-2026", "nec-2023", "nec-2020", "nec-2017")
EXAMPLES = ("iec-style",)  # of another family, to be copied and compared before use

_EXPECTED = ("bend", "securing", "supporting", "first_strap", "deck", "environment")

_MOST_BYTES = 16_000_000
_DEPTH_MAX = 50  # rule sets that extend each other

_ByMethod = TypeVar(
    "_ByMethod", RacewayBendRule, BendTotalRule, HoldRule, FirstStrapRule, BendRule, ExemptionRule, LimitRule
)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class RuleBook:
    """One rule set, resolved. Where two entries of a group match, the one stated last binds."""

    name: str  # "nec-2023", or the path as the project writes it
    code: str  # how citations name the standard: "NEC 2023"
    title: str
    bends: tuple[BendRule, ...]
    raceway_bends: tuple[RacewayBendRule, ...]
    raceway_radii: tuple[RacewayRadius, ...]
    bend_totals: tuple[BendTotalRule, ...]
    securing: tuple[HoldRule, ...]
    supporting: tuple[HoldRule, ...]
    first_straps: tuple[FirstStrapRule, ...]
    exemptions: tuple[ExemptionRule, ...]
    decks: tuple[DeckRule, ...]
    environments: tuple[EnvironmentRule, ...]
    burials: tuple[BurialRule, ...]
    limits: tuple[LimitRule, ...]
    bundles: tuple[BundleRule, ...]
    working_spaces: tuple[WorkingSpaceRule, ...]

    def __repr__(self) -> str:
        return f"RuleBook({self.name!r}, {len(self.entries)} entries)"

    def hold(self, check: str, method: str) -> HoldRule | None:
        """Return the interval rule of ``check`` ("securing" or "supporting") for one wiring method."""
        return last_for(self.securing if check == "securing" else self.supporting, method)

    def first_strap(self, method: str) -> FirstStrapRule | None:
        """Return the rule on the first strap beside a termination, for one wiring method."""
        return last_for(self.first_straps, method)

    def bend_total(self, method: str) -> BendTotalRule | None:
        """Return the rule on the sum of bends between pull points; cables have none."""
        return last_for(self.bend_totals, method)

    def limit(self, key: str) -> LimitRule | None:
        """Return the single number or demand of that key: "bored-hole-edge", "fire-stop", …; None if it was removed."""
        return next((rule for rule in self.limits if rule.key == key), None)

    @property
    def bundle(self) -> BundleRule | None:
        """The ampacity rule for cables laid together."""
        return self.bundles[-1] if self.bundles else None

    @property
    def unstated(self) -> tuple[str, ...]:
        """What every NEC edition states and this rule set leaves out altogether, so that it cannot be judged."""
        stated = {group for group, _ in self.entries}
        return tuple(group for group in _EXPECTED if group not in stated)

    @property
    def entries(self) -> tuple[tuple[str, Entry], ...]:
        """Every entry with the name of its group, in the order of the file."""
        groups: tuple[tuple[str, tuple[Entry, ...]], ...] = (
            ("bend", self.bends),
            ("raceway_bend", self.raceway_bends),
            ("raceway_radius", self.raceway_radii),
            ("bend_total", self.bend_totals),
            ("securing", self.securing),
            ("supporting", self.supporting),
            ("first_strap", self.first_straps),
            ("exemption", self.exemptions),
            ("deck", self.decks),
            ("environment", self.environments),
            ("burial", self.burials),
            ("limit", self.limits),
            ("bundle", self.bundles),
            ("working_space", self.working_spaces),
        )
        return tuple((group, entry) for group, rules in groups for entry in rules)


def last_for(rules: tuple[_ByMethod, ...], method: str) -> _ByMethod | None:
    """Return the entry for ``method`` that was stated last, or None."""
    return next((rule for rule in reversed(rules) if method in rule.methods), None)


def load_rulebook(name_or_path: str, base: Path | None) -> RuleBook:
    """Return a shipped rule set by name, or a project's own by path (relative to ``base``).

    Raises
    ------
    RuleBookError
        There is no such rule set, or it (or one that it extends) cannot be used.
    """
    table = _table(name_or_path, base, ())
    code = table.get("code", "")
    if not code:
        raise RuleBookError(f'{name_or_path}: code is missing; text such as "NEC 2023", or extends, was expected')
    entries = build_entries(table, name_or_path, code, name_or_path)
    return RuleBook(
        name=name_or_path,
        code=code,
        title=table.get("title", name_or_path),
        bends=entries["bend"],
        raceway_bends=entries["raceway_bend"],
        raceway_radii=entries["raceway_radius"],
        bend_totals=entries["bend_total"],
        securing=entries["securing"],
        supporting=entries["supporting"],
        first_straps=entries["first_strap"],
        exemptions=entries["exemption"],
        decks=entries["deck"],
        environments=entries["environment"],
        burials=entries["burial"],
        limits=entries["limit"],
        bundles=entries["bundle"],
        working_spaces=entries["working_space"],
    )


def rule_files(name_or_path: str, base: Path | None) -> tuple[Path, ...]:
    """Return the files that ``load_rulebook`` reads for a project's own rule set: it, and those that it extends.

    A shipped rule set has none; what cannot be read ends the list.
    """
    files: list[Path] = []
    name: str | None = name_or_path
    while name is not None and name not in (*SHIPPED, *EXAMPLES):
        path = Path(name) if base is None else base / name
        if path.resolve() in (file.resolve() for file in files):
            break
        files.append(path)
        try:
            name = parse_table(path.read_text(encoding="utf-8"), name).get("extends")
        except (OSError, UnicodeDecodeError, RuleBookError):
            break
        base = path.parent
    return tuple(files)


def _table(name_or_path: str, base: Path | None, seen: tuple[str, ...]) -> Table:
    """Return the tables of a rule set merged over those that it extends; ``seen`` are the files on the way here."""
    shipped = name_or_path in (*SHIPPED, *EXAMPLES)
    path = Path(name_or_path) if base is None else base / name_or_path
    if shipped:
        identity = name_or_path
        text = resources.files("route3d.rules").joinpath(f"{name_or_path}.toml").read_text(encoding="utf-8")
    else:
        try:
            identity = str(path.resolve())
            text = read_text(path, _MOST_BYTES)
        except (InputError, OSError, ValueError, RuntimeError) as error:
            known = ", ".join((*SHIPPED, *EXAMPLES))
            words = str(error).removeprefix(f"{path}: ")
            raise RuleBookError(
                f"{name_or_path}: no such rule set ({path}: {words}); name {known} or the path of a rule file"
            ) from error
    if identity in seen:
        raise RuleBookError(f"{name_or_path}: extends: this rule set extends itself; name another one")
    if len(seen) >= _DEPTH_MAX:
        raise RuleBookError(f"{name_or_path}: extends: more than {_DEPTH_MAX} rule sets in a row; join them")
    own = parse_table(text, name_or_path)
    extends = own.get("extends")
    under = _table(extends, base if shipped else path.parent, (*seen, identity)) if extends else {}
    return merge(under, own, None if shipped else "project")
