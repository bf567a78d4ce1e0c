"""Every Python block of the docs runs, in order, as one program, in a folder with the sample project."""

import re
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])
_BLOCK = re.compile(r"^```python\n(.*?)^```", re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize(
    "page", [p for p in PAGES if _BLOCK.search(p.read_text(encoding="utf-8"))], ids=lambda p: p.name
)
def test_the_python_of_a_page_runs(
    page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(ROOT / "sample_models" / "workshop", tmp_path / "route3d-demo")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for number, block in enumerate(_BLOCK.findall(page.read_text(encoding="utf-8")), start=1):
        exec(compile(block, f"{page.name}, block {number}", "exec"), names)
    assert capsys.readouterr().out
