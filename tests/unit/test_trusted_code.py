"""Nothing that comes out of a file is ever run: no pickle, no eval, no shell, no parser that fetches or expands."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted([*(ROOT / "route3d").rglob("*.py"), *(ROOT / "importers").rglob("*.py"), *(ROOT / ".ci").glob("*.py")])
SOURCES = [path for path in SOURCES if "node_modules" not in path.parts]

MODULES = {
    "pickle",
    "cPickle",
    "_pickle",
    "marshal",
    "shelve",
    "dill",
    "cloudpickle",
    "joblib",
    "yaml",
    "xml",
    "plistlib",
}
NEVER = {("shell", True), ("allow_pickle", True), ("resolve_entities", True), ("huge_tree", True)}
CALLS = {"eval", "exec", "compile", "__import__", "execfile", "input"}
ATTRIBUTES = {
    "system", "popen", "spawnl", "spawnv", "execv", "execvp", "getoutput", "unsafe_load", "full_load", "extractall",
    "mktemp", "load_module", "fromfile", "read_pickle", "literal_eval",
}  # fmt: skip
HARMLESS = {"platform.system"}


def found(path: Path) -> list[str]:
    wrong = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            wrong += [a.name for a in node.names if a.name.split(".")[0] in MODULES]
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            wrong += [node.module] if node.module.split(".")[0] in MODULES else []
        elif isinstance(node, ast.Call):
            call = node.func
            if isinstance(call, ast.Name) and call.id in CALLS:
                wrong.append(call.id)
            if isinstance(call, ast.Attribute) and call.attr in ATTRIBUTES and ast.unparse(call) not in HARMLESS:
                wrong.append(call.attr)
            for word in node.keywords:
                value = word.value.value if isinstance(word.value, ast.Constant) else None
                if (word.arg, value) in NEVER:
                    wrong.append(f"{word.arg}={value}")
    return wrong


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_nothing_of_a_file_is_run(path: Path) -> None:
    # XML is written with the standard library, never read with it
    allowed = {"xml.etree"} if path.name == "review_junit.py" else set()
    assert not set(found(path)) - allowed


def test_what_is_looked_for_is_found(tmp_path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("import pickle\nfrom yaml import load\neval('1')\nos.system('a')\nload('a', allow_pickle=True)\n")
    assert sorted(found(bad)) == ["allow_pickle=True", "eval", "pickle", "system", "yaml"]
