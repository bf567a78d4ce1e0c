"""Documents and program tell the same story: every command, every key of the project file, every rule."""

import importlib.util
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from pydantic import BaseModel

from importers.project_file import ProjectTable
from route3d.cli.main import COMMANDS
from route3d.rules.rulebook import load_rulebook
from tests.docs_blocks import DOCUMENTS, ROOT, Block, blocks, spans

README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCS = ROOT / "docs"
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
    assert (ROOT / picture).is_file()


# --- docs/ ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_docs", DOCS / "make_docs.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_rule_table_is_that_of_the_program(script: ModuleType) -> None:
    kept = (DOCS / "rules.md").read_text(encoding="utf-8")
    assert kept == script.rules_text(), "stale: run python docs/make_docs.py"
    for name in ("nec-2023", "iec-style"):
        for group, entry in load_rulebook(name, None).entries:
            assert f"`{group}.{entry.key}`" in kept


def test_the_tables_of_json_keys_are_those_of_the_schemas(script: ModuleType) -> None:
    kept = (DOCS / "results.md").read_text(encoding="utf-8")
    assert kept == script.results_text(kept), "stale: run python docs/make_docs.py"
    assert "`findings[].chain[].text`" in kept and "`runs[].alternatives[].proposal.path_m" in kept


def test_every_picture_is_used_and_small() -> None:
    used = {name for d in DOCUMENTS for name in re.findall(r"pictures/([\w.]+)\)", d.read_text(encoding="utf-8"))}
    kept = {path.name: path.stat().st_size for path in (DOCS / "pictures").iterdir()}
    assert used == set(kept)
    assert max(kept.values()) <= 150_000


def test_every_document_is_listed_in_the_readme() -> None:
    assert {f"docs/{path.name}" for path in DOCS.glob("*.md")} <= set(re.findall(r"\]\((docs/\w+\.md)", README))


@pytest.mark.parametrize("document", [d for d in DOCUMENTS if d.parent == DOCS], ids=lambda d: d.name)
def test_every_document_for_users_carries_the_caution(document: Path) -> None:
    text = " ".join(document.read_text(encoding="utf-8").split())
    assert any(words in text for words in ("An aid, not an authority", "Compare every number with the edition adopted"))


TABLES = [block for document in DOCUMENTS for block in blocks(document) if block.kind == "toml"]


@pytest.mark.parametrize("block", TABLES, ids=lambda block: block.where)
def test_a_table_in_a_document_has_keys_that_are_there(block: Block, tmp_path: Path) -> None:
    table = tomllib.loads(block.body)
    if "extends" in table:
        (tmp_path / "own.toml").write_text(block.body, encoding="utf-8")
        assert load_rulebook("own.toml", tmp_path).entries
        return
    if block.file is not None or block.body == BLOCK:
        ProjectTable.model_validate(table)
        return
    known = set(keys(ProjectTable, set()))
    free = {"roles", "cables", "framing", "slack", "conductors", "sheath", "storeys", "run", "clearance"}
    for key in _keys_of(table, free):
        assert key in known, key


def _keys_of(value: Any, free: set[str]) -> Iterator[str]:
    for row in value if isinstance(value, list) else [value]:
        for key, inner in row.items() if isinstance(row, dict) else ():
            yield key
            if key not in free:
                yield from _keys_of(inner, free)


def test_keys_in_sentences_are_keys_of_the_project_file() -> None:
    known = set(keys(ProjectTable, set()))
    for document in DOCUMENTS:
        for where, code in spans(document):
            found = re.fullmatch(
                r"\[{0,2}(settings|takeoff|routing|coil|zone|panel|run|model|routes)(?:\.(\w+))?\]{0,2}", code
            )
            if found is not None and not (document.name == "results.md" and code.startswith(("run", "coil", "zone"))):
                assert found[1] in known and (found[2] is None or found[2] in known), f"{where}: `{code}`"
