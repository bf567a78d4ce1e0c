"""The documents as the tests see them: their command blocks, run in order in a scratch folder, and what they name.

In a block marked ``console``, lines that begin with ``$ `` are commands and the lines after one are what it prints:
each of them has to be there, in that order, whatever the spaces; a line of ``…`` stands for any number of lines. In
blocks marked ``bash`` or ``sh`` every line is a command. ``<!-- file: NAME -->`` before a block of another kind says
where its reader saves it.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import click

from route3d.cli.main import route3d
from tests.scratch_project import call

ROOT = Path(__file__).parent.parent
DOCUMENTS = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md")))
COLUMNS = 100  # the width of the terminal that the documents show

_BLOCK = re.compile(r"(?:<!-- file: (?P<file>[^>]*) -->\n)?^```(?P<kind>\w*)\n(?P<body>.*?)^```", re.S | re.M)
# they need a network, or change the machine
_SETUP = re.compile(
    r"(?:sudo )?apt-get |(?:\S*python3?|py) -m (?:venv|pip) |\S*pip install |git clone |npm (?:ci|install)"
)
_PLAIN = re.compile(r"route3d [^|&;<>$`]*")


@dataclass(frozen=True)
class Block:
    """One fenced block of a document."""

    document: Path
    line: int
    kind: str
    body: str
    file: str | None

    @property
    def where(self) -> str:
        return f"{self.document.name}:{self.line}"

    @property
    def runs(self) -> bool:
        return self.kind in ("console", "bash", "sh")


@dataclass
class Step:
    """One command, and the lines that the document shows of its output."""

    where: str
    command: str
    shown: list[str] = field(default_factory=list)

    @property
    def set_up(self) -> bool:
        return _SETUP.match(self.command) is not None

    @property
    def serves(self) -> bool:
        """Whether it goes on until somebody ends it: a server, a watcher, or work on machines that are not here."""
        words = self.command.split()
        if words[:2] == ["route3d", "view"]:
            return "--picture" not in words
        return (
            words[:2] == ["route3d", "watch"] or (words[0] == "route3d" and "--cluster" in words) or words[0] == "dask"
        )


def blocks(document: Path) -> list[Block]:
    """Return the fenced blocks of a document."""
    text = document.read_text(encoding="utf-8")
    return [
        Block(
            document,
            text.count("\n", 0, match.start("body")) + 1,
            match["kind"],
            match["body"],
            match["file"],
        )
        for match in _BLOCK.finditer(text)
    ]


def steps(block: Block) -> list[Step]:
    """Return the commands of a block; a backslash at the end of a line joins it with the next."""
    found: list[Step] = []
    for number, line in enumerate(block.body.replace("\\\n", "").splitlines()):
        where = f"{block.document.name}:{block.line + number}"
        if block.kind != "console" and line.strip() and not line.startswith("#"):
            found.append(Step(where, re.sub(r"\s+# .*", "", line).strip()))
        elif line.startswith("$ "):
            found.append(Step(where, line[2:].strip()))
        elif block.kind == "console" and line.strip():
            assert found, f"{where}: output before any command"
            found[-1].shown.append(line)
    return found


def parsed(command: str) -> None:
    """Assert that a command of ours is there, with the options it is given; nothing is run.

    Raises
    ------
    click.ClickException
        It is not.
    """
    words = shlex.split(command)
    ours(words[1]).make_context(words[1], words[2:])


def ours(name: str) -> click.Command:
    """Return one of our commands by its name."""
    found = route3d.get_command(click.Context(route3d), name)
    assert found is not None, f"no command {name!r}"
    return found


class Shell:
    """Runs the commands of one document in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.status = 0
        programs = folder / ".programs"
        programs.mkdir()
        for name, start in (("route3d", "-m route3d "), ("python", ""), ("python3", "")):
            shim = programs / name
            shim.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} {start}"$@"\n', encoding="utf-8")
            shim.chmod(0o755)
        self.environment = os.environ | {
            "PATH": f"{programs}{os.pathsep}{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),
            "COLUMNS": str(COLUMNS),
        }

    def run(self, step: Step) -> str:
        """Run one command; what it prints is returned. It fails if the command could not use its input."""
        if step.command == "echo $?":
            return f"{self.status}\n"
        if _PLAIN.fullmatch(step.command):
            here = Path.cwd()
            os.chdir(self.folder)
            try:
                self.status, output = call(*shlex.split(step.command)[1:], columns=COLUMNS)
            finally:
                os.chdir(here)
        else:
            bash = shutil.which("bash")
            assert bash is not None, f"{step.where}: needs bash"
            done = subprocess.run(
                [bash, "-c", step.command], cwd=self.folder, env=self.environment, text=True, encoding="utf-8",
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, timeout=300, check=False,
            )  # fmt: skip
            self.status, output = done.returncode, done.stdout
        refused = any(line.startswith("route3d: ") for line in step.shown)
        assert (self.status == 2) == refused and self.status in (0, 1, 2, 3), f"{step.where}: {self.status}: {output}"
        return output

    def save(self, block: Block) -> None:
        """Save a block under the name that the document gives it."""
        assert block.file is not None
        file = self.folder / block.file
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(block.body, encoding="utf-8")


def missing(shown: list[str], output: str) -> str | None:
    """Return the first shown line that the output does not have (after those before it), or None."""
    rest = " ".join(output.split())
    for line in shown:
        wanted = " ".join(line.split()).removesuffix("…").strip()
        if not wanted:
            continue
        _, found, rest = rest.partition(wanted)
        if not found:
            return line
    return None


def spans(document: Path) -> Iterator[tuple[str, str]]:
    """Yield every piece of code inside a document's sentences, and where it stands."""
    text = _BLOCK.sub(lambda match: "\n" * match[0].count("\n"), document.read_text(encoding="utf-8"))
    for match in re.finditer(r"`([^`]+)`", text):
        yield f"{document.name}:{text.count(chr(10), 0, match.start()) + 1}", " ".join(match[1].split())
