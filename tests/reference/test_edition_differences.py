"""One job under four editions: exactly the documented differences, no others.

Which edition says what: the pages read and the memory behind it are marked in the rule files (``source``).
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from route3d.model.element import Element
from route3d.model.finding import CHECKS, Review
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.review import check_job
from route3d.rules.records import Entry
from tests.builders import IN, block, book, cable

EDITIONS = ("nec-2017", "nec-2020", "nec-2023", "nec-2026")

CABLES = {
    "mc": cable(cable_id="mc"),
    "ac": cable("ac", cable_id="ac"),
    "nm": cable("nm", cable_id="nm", sheath_diameter_m=0.008, overall_diameter_m=0.008),
    "flat": cable("nm", cable_id="flat", sheath_diameter_m=0.0104, overall_diameter_m=0.0104, minor_diameter_m=0.0046),
    "mv": cable("mv", cable_id="mv", sheath_diameter_m=0.035, overall_diameter_m=0.035, conductors=1, shielded=True),
    "emt": cable("emt", cable_id="emt", trade_size="3/4", overall_diameter_m=0.0234, bender="one-shot"),
}


def run(run_id: str, cable_id: str, points: list[tuple[float, float, float]], straps: tuple[float, ...], **more) -> Run:
    return Run(run_id, cable_id, np.array(points), start="box", end="box", straps_at_m=straps, **more)


def job() -> Job:
    """Runs far from each other, so that each shows one difference."""
    joists = [
        Element(
            f"j:{k}",
            "framing",
            "S-JOIS",
            "MESH",
            block(np.array([x, -1.0, 2.6]), np.array([0.04, 2.0, 0.6])),
            True,
            "m",
            "",
        )
        for k, x in enumerate((0.28, 1.5, 2.7, 3.9))
    ]
    roof = Element(
        "roof", "deck", "S-DECK", "MESH", block(np.array([-1.0, 19.0, 3.0]), np.array([6.0, 2.0, 0.1])), True, "m", ""
    )
    return Job(
        name="editions",
        occupancy="dwelling",
        checks=CHECKS,
        cables=CABLES,
        runs=(
            # through joists 1.22 m apart: in 2017 they support armored cable, but do not secure it
            run("bored", "ac", [(0, 0, 2.9), (4.2, 0, 2.9)], ()),
            # 30 mm inside: enough by the minor axis (23 mm), not by the major one (52 mm)
            run(
                "flat",
                "flat",
                [(0, 10, 2), (1, 10, 2), (1, 10.0704, 2), (2, 10.0704, 2)],
                (0.2, 1.8),
                bent=("flat-side",),
            ),
            # 16 mm below a roof deck
            run("roof", "mc", [(0, 20, 2.978), (4, 20, 2.978)], (0.2, 2.0, 3.8)),
            # a first strap 8 in away as the tape is held, and 19 in along the cable
            run(
                "loop",
                "nm",
                [(0, 30, 2), (0, 30.2, 2), (0.2, 30.2, 2), (0.2, 29, 2)],
                (0.48, 1.4),
            ),
            # 12 × 35 mm asked for, 400 mm there
            run("high", "mv", [(0, 40, 2), (0.4175, 40, 2), (0.4175, 40.4175, 2)], (0.2, 0.5)),
            # 450° of bends
            run(
                "tube",
                "emt",
                [(0, 50, 2), (1, 50, 2), (1, 51, 2), (2, 51, 2), (2, 50, 2), (3, 50, 2), (3, 51, 2)],
                (0.5, 2.5, 4.5, 5.0),
            ),
        ),
        elements=(*joists, roof),
        zones=(),
        clearance_m={},
        settings=Settings(deck="other-roof"),
    )


def reviewed(name: str) -> Review:
    return check_job(job(), book(name), "2026-01-31T10:00:00Z")


@pytest.fixture(scope="module")
def found() -> dict[str, set[tuple[str, str, str, str]]]:
    return {
        name: {
            (str(f.run), f.check, f.severity, f.rule.removeprefix(book(name).code).strip())
            for f in reviewed(name).findings
            if f.severity != "note" and f.check in ("bend", "securing", "supporting", "deck")
        }
        for name in EDITIONS
    }


def test_all_editions_agree_but_for_the_documented_differences(found) -> None:
    everywhere = set.intersection(*found.values())
    own = {name: sorted(entries - everywhere) for name, entries in found.items()}
    loop = ("loop", "securing", "violation", "334.30")
    flat = ("flat", "bend", "caution", "334.24")  # the text is silent on the axis: disputed
    assert own == {
        "nec-2017": sorted(
            [
                ("bored", "securing", "violation", "320.30(B)"),  # framing does not secure AC yet
                flat,
                ("high", "bend", "violation", "300.34"),
                ("tube", "bend", "violation", "358.26"),
            ]
        ),
        "nec-2020": sorted(
            [flat, ("high", "bend", "violation", "300.34"), loop, ("tube", "bend", "violation", "358.26")]
        ),
        "nec-2023": sorted(
            [
                ("flat", "bend", "violation", "334.24"),  # always the major axis
                ("high", "bend", "violation", "305.5"),
                loop,
                ("tube", "bend", "violation", "358.24(B)"),
            ]
        ),
        "nec-2026": sorted(
            [
                # no finding on the flat cable: on its flat side the minor axis counts
                ("high", "bend", "violation", "305.5"),
                loop,
                ("roof", "deck", "violation", "300.6(E)"),  # any roof deck, not only a metal one
                ("tube", "bend", "violation", "358.24(B)"),
            ]
        ),
    }


def changed(name: str) -> dict[str, set[str]]:
    """What the entries of an edition state differently from 2023, by ``group.key``."""
    base: dict[str, Entry] = {f"{group}.{e.key}": e for group, e in book("nec-2023").entries}
    entries = {f"{group}.{e.key}": e for group, e in book(name).entries}
    assert set(entries) == set(base)
    differing = {
        key: {
            f.name
            for f in fields(e)
            if f.name not in ("cite", "title", "note") and getattr(e, f.name) != getattr(base[key], f.name)
        }
        for key, e in entries.items()
    }
    return {key: names for key, names in differing.items() if names}


BEFORE_2023 = {
    "bend.nm": {"minor_axis"},
    **{f"bend.{key}": {"section", "source"} for key in ("mv-nonshielded", "mv-shielded", "mv-shielded-several")},
    **{f"bend_total.{key}": {"section", "source"} for key in ("emt", "rmc", "imc", "pvc")},
    "securing.mv": {"section"},
    "supporting.mv": {"section"},
    "securing.limited-energy": {"section"},
    "environment.mv-places": {"section"},
    "environment.limited-energy-places": {"section"},
    "deck.roof": {"slab_min_m"},
}
DOCUMENTED = {
    "nec-2020": BEFORE_2023,
    "nec-2017": {
        **BEFORE_2023,
        "securing.ac": {"framing"},
        "first_strap.nm": {"along_max_m"},
        "first_strap.se": {"along_max_m"},
        "first_strap.uf": {"along_max_m"},
        "bundle.adjustment": {"section", "relief_section"},
    },
    "nec-2026": {
        "bend.nm": {"minor_axis"},
        "deck.roof": {"section", "kinds", "relieved_methods", "slab_min_m"},
        "limit.bored-hole-edge": {"section", "source"},
        "limit.notch": {"section", "source"},
        "limit.nm-metal-framing": {"section", "source"},
        "limit.raceway-as-support": {"section", "source"},
        **{
            f"limit.{key}": {"section"}
            for key in (
                "nm-metal-nails", "parallel-to-framing", "independent-support", "cable-as-support", "fastened-in-place",
            )
        },
    },
}  # fmt: skip


@pytest.mark.parametrize("name", DOCUMENTED)
def test_the_rule_files_differ_in_what_is_documented_and_in_nothing_else(name: str) -> None:
    assert changed(name) == DOCUMENTED[name]


@pytest.mark.parametrize("inches", [11.0, 12.0, 12.1])
def test_where_editions_agree_the_same_job_has_the_same_verdict(inches: float) -> None:
    """NEC 330.30(B), all editions: a first strap within 12 in."""
    one = replace(job(), runs=(run("plain", "mc", [(0, 0, 9), (1.5, 0, 9)], (inches * IN, 1.4)),))
    verdicts = {check_job(one, book(name), "2026-01-31T10:00:00Z").runs[0].verdict for name in EDITIONS}
    assert verdicts == {"fail" if inches > 12.0 else "pass"}
