import pytest

from importers.roles import guess_role, layer_matches, role_map


@pytest.mark.parametrize(
    ("layer", "role"),
    [
        ("M-DUCT-SUPP", "duct"),
        ("S-JOIS", "framing"),
        ("s-beam-01", "structure"),
        ("P-PIPE", "pipe"),
        ("F-SPRN-HEAD", "sprinkler"),
        ("A-CLNG", "ceiling"),
        ("E-LITE", "luminaire"),
        ("E-POWR", "box"),
        ("A-WALL-FIRE", "fire-wall"),
        ("A-WALL", "wall"),
        ("A-ANNO-DIMS", "ignore"),
        ("E-CBLT", "tray"),
        ("Z-ACCESS", "zone"),
        ("Layer1", "obstacle"),
        ("0", "obstacle"),
    ],
)
def test_a_role_is_guessed_from_the_layer_s_name(layer, role):
    guess, reason = guess_role(layer)
    assert guess == role
    assert reason


def test_the_first_pattern_that_matches_wins_whatever_the_case():
    roles = role_map({"s-jois*": "framing", "S-*": "structure", "M-[A]": "duct", "E-BOX?": "box"})
    assert [roles(n) for n in ("S-JOIS-1", "S-BEAM", "M-[a]", "M-A", "E-BOX1", "E-BOX")] == [
        "framing", "structure", "duct", "obstacle", "box", "obstacle",
    ]  # fmt: skip
    assert roles.unmatched_layers == ("M-A", "E-BOX")


def test_patterns_that_match_nothing_are_told():
    roles = role_map({"A*": "wall", "B*": "duct"})
    roles("A1")
    assert roles.unused_patterns == ("B*",)


def test_a_role_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match="wal"):
        role_map({"A*": "wal"})


def test_a_pattern_is_the_whole_name():
    assert layer_matches("A-WALL", "a-w*")
    assert not layer_matches("A-WALL", "WALL")
