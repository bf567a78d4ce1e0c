"""Tables of the take-off: each key arrives in metres, and each mistake is one sentence."""

import pytest

from importers.project_file import parse_project
from importers.takeoff import resolve_takeoff
from route3d.errors import ProjectKeyError
from route3d.model.allowance import SOURCES, CoilStock, RunAllowance, TakeOffSettings


def resolved(text: str):
    table = parse_project('units = "in"\n' + text, "p.toml")
    return resolve_takeoff(table.takeoff, table.coil, ["L1-HR-01"], ["mc-12-2"], 0.0254, "p.toml")


def test_what_is_not_said_is_practice_or_a_section() -> None:
    settings = resolved("")
    assert settings == TakeOffSettings()
    assert all(source.startswith("practice") or "NEC" in source for source in SOURCES.values())
    assert settings.source("conductors.box").startswith("practice")
    # NEC 300.14, from memory: 6 in
    assert settings.free_conductor_m == pytest.approx(6 * 0.0254)


def test_what_is_said_arrives_in_metres_and_names_its_key() -> None:
    settings = resolved(
        '[takeoff]\nwaste = 0.1\nround_up = 6\n[takeoff.conductors]\nbox = 12\n[takeoff.storeys]\nb = 144\na = 0\n'
        '[takeoff.run."L1-HR-01"]\nslack = 24\npull_from = "end"\n'
    )  # fmt: skip
    assert settings.waste == 0.1
    assert settings.round_up_m == pytest.approx(0.1524)
    assert settings.conductors_m["box"] == pytest.approx(0.3048)
    assert settings.conductors_m["cabinet"] == pytest.approx(1.524)
    assert settings.source("conductors.box") == "takeoff.conductors.box"
    assert [name for name, _ in settings.storeys] == ["a", "b"]
    assert settings.runs["L1-HR-01"] == RunAllowance(slack_m=24 * 0.0254, pull_from="end")


def test_coils_are_endless_and_an_offcut_is_one() -> None:
    settings = resolved(
        '[[coil]]\ncable = "mc-12-2"\nlength = 3000\n[[coil]]\ncable = "mc-12-2"\nlength = 100\noffcut = "drum 3"\n'
    )
    assert settings.coils == (
        CoilStock("mc-12-2", pytest.approx(76.2)),
        CoilStock("mc-12-2", pytest.approx(2.54), 1, offcut="drum 3"),
    )


COIL = '[[coil]]\ncable = "mc-12-2"\nlength = 3000\n'

WRONG = {
    "unknown key": ("[takeoff]\nwast = 0.1", "takeoff.wast: is not a known key. Did you mean 'waste'?"),
    "percent": ("[takeoff]\nwaste = 8", "takeoff.waste: a share from 0 to 1 is expected, such as 0.05 for 5 %, not 8"),
    "unknown end": ("[takeoff.slack]\nlumiaire = 8", "Did you mean 'luminaire'?"),
    "unknown key of a run": (
        '[takeoff.run."L1-HR-01"]\nslak = 1',
        "takeoff.run.L1-HR-01.slak: is not a known key. Did you mean 'slack'?",
    ),
    "unknown run": ('[takeoff.run."L1-HR-02"]\nslack = 1', "there is no run 'L1-HR-02'. Did you mean 'L1-HR-01'?"),
    "too fine": ("[takeoff]\nround_up = 0.01", "takeoff.round_up: is less than 1 mm"),
    "coil of nothing": ('[[coil]]\ncable = "mc-12-2"\nlength = 0', "length: input should be greater than 0"),
    "coil of an unknown cable": (
        '[[coil]]\ncable = "mc-12-3"\nlength = 3',
        "cable 'mc-12-3' is not defined; add [cable.mc-12-3]. Did you mean 'mc-12-2'?",
    ),
    "cost of an offcut": (COIL + 'cost = 3\noffcut = "x"', "an offcut is at hand, so it has no 'cost'"),
    "cost in part": (COIL + "cost = 3\n" + COIL, "coil[2]: has no 'cost', but another coil of mc-12-2 has"),
    "name used twice": (COIL + 'offcut = "x"\n' + COIL + 'offcut = "x"\n', "the name 'x' is used twice"),
    "no weight": (
        '[cable.x]\nmethod = "ac"\nweight = "3 kg"',
        "cable.x: '3 kg' is not a weight per length such as '0.16 kg/m' or '105 lb/1000 ft'",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_table_is_refused_in_one_sentence(case: str) -> None:
    text, said = WRONG[case]
    with pytest.raises(ProjectKeyError) as caught:
        resolved(text)
    assert said in str(caught.value)
    assert str(caught.value).startswith("p.toml: ")
