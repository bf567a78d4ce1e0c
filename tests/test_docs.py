"""README and program tell the same story: every command, and every key of the project file."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from importers.project_file import ProjectTable
from route3d.cli.main import COMMANDS

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
BLOCK = next(b for b in re.findall(r"```toml\n(.*?)```", README, re.S) if "rules = " in b and "[[model]]" in b)


def keys(model: type[BaseModel], seen: set[type]) -> Iterator[str]:
    if model in seen:
        return
    seen.add(model)
    for name, field in model.model_fields.items():
        yield field.alias if field.alias is not None else name
        for part in re.findall(r"\w+Table", repr(field.annotation)):
            inner = getattr(__import__("importers.project_file", fromlist=[part]), part, None)
            if inner is not None:
                yield from keys(inner, seen)


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"route3d {command}" in README


@pytest.mark.parametrize("command", sorted(set(re.findall(r"`route3d ([a-z]+)", README))))
def test_every_command_of_the_readme_is_there(command: str) -> None:
    assert command in COMMANDS


@pytest.mark.parametrize("key", sorted(set(keys(ProjectTable, set()))))
def test_every_key_of_the_project_file_is_in_the_readme(key: str) -> None:
    assert re.search(rf"\b{re.escape(key)}\b", README)


def test_the_project_file_of_the_readme_is_one() -> None:
    ProjectTable.model_validate(tomllib.loads(BLOCK))


@pytest.mark.parametrize("picture", re.findall(r"!\[[^]]*\]\(([^)]+)\)", README))
def test_every_picture_is_there(picture: str) -> None:
    assert (Path(__file__).parent.parent / picture).is_file()
