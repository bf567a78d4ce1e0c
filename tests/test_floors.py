"""Every import goes down: a floor uses the floors below it, never its own neighbours' floor, never one above."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# The first prefix that matches decides; modules of one prefix may import each other.
FLOORS = (
    ("route3d.errors", 0),
    ("route3d.units", 0),
    ("route3d.version", 0),
    ("route3d.clock", 0),
    ("route3d.parts", 0),
    ("route3d.harmless", 0),
    ("route3d.files", 0.5),  # over errors
    ("route3d.kernel", 1),
    ("route3d.model", 2),
    ("route3d.rules", 3),
    ("route3d.surroundings", 3),
    ("route3d.fit", 4),
    ("route3d.attach", 4),
    ("route3d.measure", 4),
    ("route3d.drawn_openings", 4),
    ("route3d.scene", 4),
    ("route3d.strapping", 4),
    ("route3d.bundles", 4),
    ("route3d.approaches", 4),
    ("route3d.panels", 4),
    ("route3d.matching", 4),
    ("route3d.checks", 5),
    ("route3d.explain", 5),
    ("route3d.examine", 5),
    ("route3d.plans", 6),
    ("route3d.review", 6),
    ("route3d.recheck", 6),
    ("route3d.drawables", 6),
    ("route3d.compare", 6),
    ("route3d.mending", 6.5),  # over plans and recheck, under what is written of it
    ("route3d.store", 7),
    ("route3d.cluster", 7),
    ("route3d.following", 7),
    ("route3d.reports", 7),
    ("route3d.viewer", 7),
    ("importers", 7),
    ("route3d.project", 8),
    ("route3d.handover", 8),
    ("route3d.api", 9),
    ("route3d.cli", 9),
    ("route3d.__main__", 10),
    ("route3d", 10),  # the package itself: a door to route3d.api that opens when somebody knocks
)


def floor_of(module: str) -> tuple[str, int]:
    for prefix, floor in FLOORS:
        if module == prefix or (module.startswith(prefix + ".") and prefix != "route3d"):
            return prefix, floor
    raise AssertionError(f"{module} stands on no floor: add it to FLOORS")


def sources() -> list[Path]:
    return sorted([*(ROOT / "route3d").rglob("*.py"), *(ROOT / "importers").rglob("*.py")])


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            base = ROOT / Path(*node.module.split("."))
            names.update(
                name if (base / f"{alias.name}.py").exists() or (base / alias.name).is_dir() else node.module
                for name, alias in zip(inner, node.names, strict=True)
            )
    return {name for name in names if name.split(".")[0] in ("route3d", "importers")}


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(ROOT)))
def test_every_import_goes_down(path: Path) -> None:
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    prefix, floor = floor_of(module)
    for name in imported(path):
        other_prefix, other_floor = floor_of(name)
        assert other_prefix == prefix or other_floor < floor, f"{module} (floor {floor}) imports {name}"


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(ROOT)))
def test_files_fit_one_sitting(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 450
