"""Every key is checked, and every complaint says where, what, and what was meant."""

import pytest

from importers.project_file import parse_project, project_path, read_project_file
from route3d.errors import ProjectKeyError, UnreadableFileError

RUN = '[[run]]\nid = "a"\ncable = "c"\n'
POINTS = "path = [[0, 0, 0], [1, 0, 0]]\n"

WRONG = {
    "unknown key at the top": ('nam = "x"', "nam: is not a known key. Did you mean 'name'?"),
    "unknown key in a table": ("[settings]\natach = 3", "settings.atach: is not a known key. Did you mean 'attach'?"),
    "unknown key in a run": (
        RUN + POINTS + "strap = [3]",
        "run 'a' strap: is not a known key. Did you mean 'straps'?",
    ),
    "unknown key in a cable": (
        '[cable.x]\nmethod = "ac"\nsheath = 3',
        "cable.x.sheath: is not a known key.",
    ),
    "unknown unit": ('units = "foot"', "units: 'foot' is not one of mm, cm, m, in, ft. Did you mean 'ft'?"),
    "missing cable": ('[[run]]\nid = "a"\n' + POINTS, "run 'a' cable: is missing"),
    "path of one point": (RUN + "path = [[0, 0, 0]]", "run 'a' path: list should have at least 2 items"),
    "flat point": (RUN + "path = [[0, 0], [1, 0]]", "run 'a' path[1]: list should have at least 3 items"),
    "not a number": (RUN + "path = [[0, 0, 0], [1, nan, 0]]", "run 'a' path[2][2]: nan is not a usable length"),
    "infinite": (RUN + "path = [[0, 0, 0], [inf, 0, 0]]", "inf is not a usable length"),
    "text for a number": (RUN + 'path = [[0, 0, 0], ["1", 0, 0]]', "a number is expected, not '1'"),
    "true for a number": (RUN + POINTS + "straps = [true]", "straps[1]: a number is expected, not True"),
    "negative strap": (RUN + POINTS + "straps = [-1]", "straps[1]: input should be greater than or equal to 0"),
    "unknown end": (RUN + POINTS + 'end = "lumiaire"', "Did you mean 'luminaire'?"),
    "unknown method": ('[cable.x]\nmethod = "mc-interloked"', "Did you mean 'mc-interlocked'?"),
    "diameter of nothing": (
        '[cable.x]\nmethod = "ac"\nsheath_diameter = 0',
        "sheath_diameter: input should be greater",
    ),
    "jacket inside the sheath": (
        '[cable.x]\nmethod = "ac"\nsheath_diameter = 12\noverall_diameter = 11',
        "cable.x: overall_diameter 11 is smaller than sheath_diameter 12",
    ),
    "size without a series": ('[cable.x]\nmethod = "ac"\nsize = "12"', "'12' is not a conductor size"),
    "size of no series": ('[cable.x]\nmethod = "ac"\nsize = "13 AWG"', "'13 AWG' is not a conductor size"),
    "half a conductor": ('[cable.x]\nmethod = "ac"\nconductors = 2.5', "conductors: input should be a valid integer"),
    "one for yes": ('[cable.x]\nmethod = "ac"\njacketed = 1', "jacketed: input should be a valid boolean"),
    "unknown zone kind": ('[[zone]]\nname = "z"\nkind = "wett"\nlayer = "Z"', "Did you mean 'wet'?"),
    "zone without shape": ('[[zone]]\nname = "z"\nkind = "wet"', "zone 'z': a zone has either 'layer' or 'outline'"),
    "zone with both": (
        '[[zone]]\nname = "z"\nkind = "wet"\nlayer = "Z"\noutline = [[0,0],[1,0],[1,1]]\nbottom = 0\ntop = 1',
        "a zone has either 'layer' or 'outline'",
    ),
    "outline without height": (
        '[[zone]]\nname = "z"\nkind = "wet"\noutline = [[0,0],[1,0],[1,1]]\nbottom = 0',
        "an outline needs both 'bottom' and 'top'",
    ),
    "zone upside down": (
        '[[zone]]\nname = "z"\nkind = "wet"\noutline = [[0,0],[1,0],[1,1]]\nbottom = 2\ntop = 1',
        "bottom 2 is not below top 1",
    ),
    "finished where it means nothing": (
        '[[zone]]\nname = "z"\nkind = "wet"\nlayer = "Z"\nfinished = false',
        "'finished' belongs to kind \"inaccessible\" only",
    ),
    "unknown role": ('[[model]]\nfile = "a.dxf"\n[model.roles]\n"X" = "ducts"', "Did you mean 'duct'?"),
    "clearance of no role": ("[clearance]\npip = 3", "Did you mean 'pipe'?"),
    "negative clearance": ("[clearance]\npipe = -3", "clearance.pipe: input should be greater than or equal to 0"),
    "unknown check": ('checks = ["bends"]', "Did you mean 'bend'?"),
    "no check": ("checks = []", "checks: list should have at least 1 item"),
    "unknown occupancy": ('occupancy = "office"', "occupancy: input should be 'other' or 'dwelling', not 'office'"),
    "routes without cables": ('[[routes]]\nfile = "x.dxf"', "routes 'x.dxf' cables: is missing"),
    "bend target below the limit": ("[settings]\nbend_target = 0.9", "settings.bend_target: input should be greater"),
    "not TOML": ("a =", "is not a TOML file"),
    "a table for a list": ('run = "x"', "run: input should be a valid list"),
    "an empty name": ('name = " "', "name: a text of one line is expected"),
    "a name of two lines": ('name = "a\\nb"', "name: a text of one line is expected"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_project_file_is_refused_in_one_sentence(case: str) -> None:
    text, said = WRONG[case]
    with pytest.raises(ProjectKeyError) as caught:
        parse_project(text, "route3d.toml")
    message = str(caught.value)
    assert said in message
    assert message.startswith("route3d.toml: ")
    assert "\n" not in message


def test_what_is_not_said_has_the_documented_defaults() -> None:
    project = parse_project("", "route3d.toml")
    assert (project.units, project.rules, project.occupancy, project.checks) == ("mm", "nec-2023", "other", None)


def test_a_folder_stands_for_its_project_file(tmp_path) -> None:
    (tmp_path / "route3d.toml").write_text('name = "x"')
    assert read_project_file(project_path(tmp_path)).name == "x"


def test_a_folder_without_project_file_says_how_to_make_one(tmp_path) -> None:
    with pytest.raises(UnreadableFileError, match="route3d init"):
        project_path(tmp_path)


def test_a_project_file_that_is_not_text_is_refused(tmp_path) -> None:
    (tmp_path / "route3d.toml").write_bytes(b"\xff\xfe\x00\x00")
    with pytest.raises(UnreadableFileError, match="UTF-8"):
        read_project_file(tmp_path / "route3d.toml")
