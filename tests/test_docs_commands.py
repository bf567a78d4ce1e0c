"""Every command block of the documents works, prints what the documents show of it, and names what is there."""

import re
import shutil
from pathlib import Path

import pytest

from route3d.cli.main import COMMANDS
from tests.docs_blocks import DOCUMENTS, ROOT, Block, Shell, Step, blocks, missing, ours, parsed, spans, steps

# what begins like this cannot be run here, for this reason; all else is run, or is set-up or a server
NOT_RUN = {
    ".venv/bin/ruff check": "it is the gate, which runs these tests",
    "python tests/speed/": "they take minutes; script and options are looked up instead",
}
NEEDS_DEMO = "route3d-demo"
NAMES = [document.name for document in DOCUMENTS]


def runnable(document: Path) -> list[Block]:
    return [block for block in blocks(document) if block.runs or block.file is not None]


def all_steps() -> list[Step]:
    return [step for d in DOCUMENTS for block in blocks(d) if block.runs for step in steps(block)]


def reason(step: Step) -> str | None:
    return next((why for begin, why in NOT_RUN.items() if step.command.startswith(begin)), None)


@pytest.mark.parametrize("document", [d for d in DOCUMENTS if any(b.runs for b in blocks(d))], ids=lambda d: d.name)
def test_its_commands_work_and_print_what_it_shows(document: Path, demonstrated, tmp_path: Path) -> None:
    if NEEDS_DEMO in document.read_text(encoding="utf-8"):
        assert demonstrated.status == 0, demonstrated.output
        shutil.copytree(demonstrated.folder, tmp_path / NEEDS_DEMO)
    shell = Shell(tmp_path)
    for block in runnable(document):
        if block.file is not None:
            shell.save(block)
            continue
        for step in steps(block):
            if step.set_up or reason(step):
                continue
            if step.command == "route3d demo":  # the same for every document: run once
                output = demonstrated.output
            elif step.serves:
                output = "\n".join(step.shown)
                if step.command.startswith("route3d "):
                    parsed(step.command)
            else:
                output = shell.run(step)
            line = missing(step.shown, output)
            assert line is None, f"{step.where}: {step.command}\nprints no {line!r}; it prints\n{output}"


@pytest.mark.parametrize("step", [s for s in all_steps() if s.set_up or reason(s)], ids=lambda s: s.where)
def test_what_is_not_run_is_said(step: Step) -> None:
    for script in re.findall(r"tests/speed/\w+\.py", step.command):
        text = (ROOT / script).read_text(encoding="utf-8")
        assert all(option in text for option in re.findall(r"(?<= )--[\w-]+", step.command)), step.command
    pytest.skip(f"not run, {reason(step) or 'it needs a network, or changes the machine'}: {step.command}")


def test_shown_lines_have_to_be_there_and_in_order() -> None:
    output = "run   a\n  3 of 4   pass\nnext: b\n"
    assert missing(["run a", "3 of 4 pass"], output) is None
    assert missing(["…", "next: …"], output) is None
    assert missing(["3 of 4 pass", "run a"], output) == "run a"
    assert missing(["run a", "4 of 4 pass"], output) == "4 of 4 pass"


def test_commands_and_their_output_are_told_apart() -> None:
    body = "$ route3d check a \\\n  --all\n1 run\n\n$ pip install b\n$ route3d watch a\n"
    block = Block(ROOT / "x.md", 5, "console", body, None)
    first, second, third = steps(block)
    assert first.command == "route3d check a   --all" and first.shown == ["1 run"] and not first.set_up
    assert second.set_up and third.serves


def test_the_documents_show_enough_of_what_is_printed() -> None:
    ours = [s for s in all_steps() if s.command.startswith("route3d ") and not s.serves]
    assert len(ours) >= 40
    assert sum(bool(step.shown) for step in ours) >= 25


def test_the_list_of_what_is_not_run_is_needed() -> None:
    assert all(any(step.command.startswith(begin) for step in all_steps()) for begin in NOT_RUN)


def commands() -> list[tuple[str, str]]:
    return [(where, code) for d in DOCUMENTS for where, code in spans(d) if re.match(r"route3d [a-z]", code)]


def test_every_command_in_a_sentence_is_there_with_its_options() -> None:
    for where, code in commands():
        known = {o for p in ours(code.split()[1]).params for o in (*p.opts, *p.secondary_opts)}
        for option in re.findall(r"(?<!\S)--?[a-z][\w-]*", code):
            assert option in known | {"--help", "-h"}, f"{where}: `{code}`: {option}"


def test_every_option_in_a_sentence_is_one_of_ours() -> None:
    known = {option for name in COMMANDS for parameter in ours(name).params for option in parameter.opts}
    for document in DOCUMENTS:
        if document.name == "DEVELOPERS.md":
            continue  # it tells of tools as well
        for where, code in spans(document):
            if code.startswith("--"):
                assert code.split()[0].split("=")[0] in known, f"{where}: `{code}`"


@pytest.mark.parametrize("document", DOCUMENTS, ids=NAMES)
def test_its_links_lead_somewhere(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if "://" in target:
            continue
        path, _, heading = target.partition("#")
        file = document if not path else document.parent / path
        assert file.exists(), target
        if heading:
            assert heading in slugs(file), target


def slugs(document: Path) -> set[str]:
    heads = re.findall(r"^#+ (.+)$", document.read_text(encoding="utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("document", DOCUMENTS, ids=NAMES)
def test_files_of_this_tree_that_it_names_are_there(document: Path) -> None:
    for where, code in spans(document):
        if "NAME" not in code and re.fullmatch(r"(?:route3d|importers|tests|docs|sample_models|\.ci)/[\w./*-]+", code):
            assert list(ROOT.glob(code.rstrip("/"))), f"{where}: `{code}`"
