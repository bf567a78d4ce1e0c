"""What ``route3d doctor`` says of libraries that are there, missing, too old, or optional."""

import importlib.metadata
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from route3d import parts
from route3d.cli.doctor import doctor

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_every_optional_part_of_the_package_is_known() -> None:
    assert set(PROJECT["optional-dependencies"]) == {*parts.OPTIONAL, "test", "dev"}


def test_what_is_said_of_commands_names_libraries_that_are_needed() -> None:
    needed = {parts.Requirement(line).name for line in PROJECT["dependencies"]}
    assert set(parts.NEEDED_BY) <= needed


def test_all_that_the_package_needs_is_listed_once() -> None:
    named = [library.name for library in parts.libraries()]
    assert len(named) == len(set(named))
    assert {parts.Requirement(line).name for line in PROJECT["dependencies"]} <= set(named)


def test_missing_old_and_optional_libraries_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    real = importlib.metadata.version

    def version(name: str) -> str:
        if name in ("reportlab", "ifcopenshell"):
            raise importlib.metadata.PackageNotFoundError(name)
        return "0.1" if name == "ezdxf" else real(name)

    monkeypatch.setattr(importlib.metadata, "version", version)
    monkeypatch.setattr("route3d.viewer.probe.off_screen_window", lambda: "")
    said = CliRunner().invoke(doctor, []).output
    assert "missing   reportlab is not installed, needed for report --pdf" in said
    assert "pip install 'reportlab>=" in said
    assert "ezdxf 0.1 is too old" in said
    assert "optional  IFC models (.ifc, .ifczip): pip install 'route3d[ifc]' (adds ifcopenshell)" in said
    assert "ok        numpy" in said
    assert "Next: install what is missing above." in said


def test_a_tree_that_was_never_installed_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def requires(name: str) -> list[str]:
        raise importlib.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(importlib.metadata, "requires", requires)
    monkeypatch.setattr("route3d.viewer.probe.off_screen_window", lambda: "")
    assert "route3d is not installed" in CliRunner().invoke(doctor, []).output
