"""Runs, boxes and straps drawn in CAD: what is near a run holds it, and what ends it."""

import ezdxf
import pytest

ROUTES = '[[routes]]\nfile = "routes.dxf"\n[routes.cables]\n"E-CABL*" = "mc"\n'


class Routes:
    def __init__(self, scratch) -> None:
        self.doc = ezdxf.new("R2010", units=4)
        self.doc.appids.new("ROUTE3D")
        self.space = self.doc.modelspace()
        self.scratch = scratch
        scratch.table(ROUTES)
        scratch.role("E-STRP", "strap")
        scratch.role("E-HNGR", "hanger")
        scratch.role("E-BOX", "box")
        scratch.role("E-LITE", "luminaire")

    def polyline(self, points, *said: str, layer="E-CABL-MC"):
        entity = self.space.add_polyline3d(points, dxfattribs={"layer": layer})
        if said:
            entity.set_xdata("ROUTE3D", [(1000, text) for text in said])
        return entity

    def strap(self, at, layer="E-STRP"):
        self.scratch.space.add_point(at, dxfattribs={"layer": layer})

    def check(self, *options: str):
        self.doc.saveas(self.scratch.folder / "routes.dxf")
        return self.scratch.check(*options)


@pytest.fixture
def routes(scratch) -> Routes:
    return Routes(scratch)


def test_a_drawn_run_takes_id_ends_and_straps_from_what_is_around_it(routes) -> None:
    routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=L1-LTG-01", "end=fitting")
    routes.scratch.box("E-BOX", (-100, -50, 2950), (0, 50, 3050))
    routes.strap((300, 40, 3000))
    routes.strap((700, 0, 3070), "E-HNGR")
    checked = routes.check()
    run = checked.run("L1-LTG-01")
    assert (run["start"]["kind"], run["end"]["kind"]) == ("box", "fitting")
    assert [(s["kind"], s["secures"], s["at_m"]) for s in run["supports"]] == [
        ("box", True, 0.0),
        ("strap", True, 0.3),
        ("hanger", False, 0.7),
        ("fitting", True, 1.0),
    ]


def test_without_an_id_a_run_is_called_by_layer_and_handle(routes) -> None:
    entity = routes.polyline([(0, 0, 3000), (1000, 0, 3000)])
    checked = routes.check()
    assert [run["id"] for run in checked.results["runs"]] == [f"E-CABL-MC/{entity.dxf.handle}"]


def test_an_end_with_nothing_near_it_is_open_and_its_tail_is_a_span(routes) -> None:
    routes.polyline([(0, 0, 3000), (5000, 0, 3000)], "id=a")
    routes.scratch.box("E-BOX", (-100, -50, 2950), (0, 50, 3050))
    for x in (300, 1800, 3100):
        routes.strap((x, 0, 3000))
    checked = routes.check()
    run = checked.run()
    assert run["end"] == {"kind": "open", "element": None}
    tail = [span for span in run["spans"] if span["to_m"] == pytest.approx(5.0)]
    assert tail
    assert not any(span["ok"] for span in tail)
    assert checked.status == 1


@pytest.mark.parametrize(("aside", "held"), [(80.9, True), (81.2, False)])
def test_a_strap_holds_what_is_within_attach_of_the_cable_surface(routes, aside: float, held: bool) -> None:
    # attach 75 mm from the surface of a 12 mm cable: 81 mm from its centre line
    routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=a", "start=box", "end=box")
    routes.strap((300, aside, 3000))
    run = routes.check().run()
    assert any(s["kind"] == "strap" for s in run["supports"]) == held


def test_a_strap_nearer_to_another_run_counts_but_asks_to_confirm(routes) -> None:
    routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=a", "start=box", "end=box")
    routes.polyline([(0, 50, 3000), (1000, 50, 3000)], "id=b", "start=box", "end=box")
    routes.strap((300, 0, 3000))
    checked = routes.check()
    assert all(any(s["kind"] == "strap" for s in checked.run(name)["supports"]) for name in "ab")
    asked = [f for f in checked.findings("securing") if "nearer to" in f["message"]]
    assert [(f["run"], f["severity"]) for f in asked] == [("b", "caution")]


def test_a_chain_of_lines_and_an_arc_is_one_run_with_the_radius_drawn(routes) -> None:
    attributes = {"layer": "E-CABL-MC"}
    routes.space.add_line((0, 0, 3000), (900, 0, 3000), dxfattribs=attributes)
    routes.space.add_arc((900, 100, 3000), 100, 270, 360, dxfattribs=attributes)
    routes.space.add_line((1000, 100, 3000), (1000, 1000, 3000), dxfattribs=attributes)
    run = routes.check().results["runs"]
    assert len(run) == 1
    # NEC 330.24(B): 84.00 mm inside for a 12.00 mm cable, this one is drawn at 100 mm to the centre
    assert run[0]["bends"][0]["inner_radius_m"] == pytest.approx(0.094)
    assert run[0]["bends"][0]["required_m"] == pytest.approx(0.084)


def test_chords_that_mean_one_bend_come_out_as_that_bend(routes) -> None:
    from math import cos, pi, radians, sin

    arc = [(900 + 100 * cos(radians(a)), 100 + 100 * sin(radians(a)), 3000) for a in range(-90, 1, 10)]
    routes.polyline([(0, 0, 3000), *arc, (1000, 1000, 3000)], "id=a")
    run = routes.check().run()
    assert [bend["angle_deg"] for bend in run["bends"]] == [pytest.approx(90.0)]
    assert run["bends"][0]["inner_radius_m"] == pytest.approx(0.094)
    assert run["length_m"] == pytest.approx(0.9 + 0.1 * pi / 2.0 + 0.9)


def test_a_route_drawn_in_inches_is_the_same_as_in_millimetres(routes) -> None:
    routes.doc.header["$INSUNITS"] = 1
    routes.polyline([(0, 0, 100), (100, 0, 100)], "id=a")
    assert routes.check().run()["length_m"] == pytest.approx(2.54)


def test_two_runs_with_one_id_are_refused(routes) -> None:
    routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=a")
    routes.polyline([(0, 500, 3000), (1000, 500, 3000)], "id=a")
    checked = routes.check()
    assert checked.status == 2
    assert "used twice" in checked.output


def test_an_end_that_is_none_of_the_known_ones_is_refused_with_its_handle(routes) -> None:
    entity = routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=a", "end=luminair")
    checked = routes.check()
    assert checked.status == 2
    assert f"handle {entity.dxf.handle}" in checked.output
    assert "'luminaire'" in checked.output


def test_runs_that_meet_in_their_common_box_do_not_clash(routes) -> None:
    routes.scratch.box("E-BOX", (-50, -50, 2950), (50, 50, 3050))
    routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=a")
    routes.polyline([(0, 0, 3000), (0, 1000, 3000)], "id=b")
    assert not routes.check().findings("clash")


def test_runs_that_leave_their_common_box_on_one_line_clash(routes) -> None:
    routes.scratch.box("E-BOX", (-50, -50, 2950), (50, 50, 3050))
    routes.polyline([(0, 0, 3000), (1000, 0, 3000)], "id=a")
    routes.polyline([(0, 0, 3000), (1000, 5, 3000)], "id=b")
    assert routes.check().findings("clash")
