"""Whatever is drawn, the results are as the published schema says, and can be read again."""

import json
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from route3d.reports.results_read import read_results
from tests.published_schemas import described
from tests.scratch_project import Scratch

METHODS = ("mc-interlocked", "mc-smooth", "ac", "nm", "tc", "uf", "fmc", "emt", "pvc", "data-pair", "fibre", "other")
ENDS = ("box", "cabinet", "luminaire", "equipment", "flexible-equipment", "open", None)
ZONES = ("accessible-ceiling", "inaccessible", "wet", "corrosive", "damage", "plenum", "duct", "attic", "buried")
ROLES = ("structure", "framing", "deck", "wall", "fire-wall", "ceiling", "duct", "hot-pipe", "cabinet", "tray", "strap")

place = st.tuples(*[st.integers(-20, 20).map(lambda v: v * 100)] * 3)
paths = st.lists(place, min_size=2, max_size=5, unique=True)
boxes = st.lists(st.tuples(st.sampled_from(ROLES), place, st.integers(1, 8)), max_size=4)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    runs=st.lists(st.tuples(paths, st.sampled_from(METHODS), st.sampled_from(ENDS)), min_size=1, max_size=3),
    boxes=boxes,
    zone=st.sampled_from(ZONES),
    loose=st.booleans(),
)
def test_results_of_any_project_are_as_published(runs, boxes, zone: str, loose: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        scratch = Scratch(Path(folder))
        for number, (role, (x, y, z), size) in enumerate(boxes):
            scratch.box(f"L{number}", (x, y, z), (x + 100 * size, y + 200, z + 300))
            scratch.role(f"L{number}", role)
        if loose:
            scratch.space.add_line((0, 0, 0), (1000, 0, 0), dxfattribs={"layer": "LOOSE"})
        for number, (path, method, end) in enumerate(runs):
            scratch.run(path, f"r{number}", f"c{number}", start=end, end="box")
            scratch.table(f'[cable.c{number}]\nmethod = "{method}"\nsheath_diameter = 12\nconductors = 3\n')
        scratch.table(
            f'[[zone]]\nname = "z"\nkind = "{zone}"\noutline = [[-900, -900], [900, -900], [900, 900]]\n'
            "bottom = -900\ntop = 900\n"
        )
        checked = scratch.check("--no-cache")
        if checked.status == 2:
            assert "Traceback" not in checked.output
            return
        described("results", checked.results)
        read = read_results(Path(folder) / "results.json")
        assert len(read.findings) == len(checked.results["findings"]) and read.notes == ()
        assert json.loads(json.dumps(checked.results)) == checked.results
