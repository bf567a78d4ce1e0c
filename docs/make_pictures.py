"""Draws every picture of these documents with the program itself, small enough to be kept beside them.

Run it as ``python docs/make_docs.py --pictures``. Needs ``pip install -e '.[test]'``, and a browser for the picture of
the page; without one that picture stays as it is, and it says so.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pypdfium2
from PIL import Image

HERE = Path(__file__).parent
MODELS = ("structure.dxf", "services.dxf", "ceiling.dxf")
BROWSER = Path("/usr/bin/chromium")
WIDTH = 1400
MOST_BYTES = 150_000


def draw_all(folder: Path) -> None:
    """Write every picture into ``folder``."""
    folder.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        base = Path(scratch)
        _draw_sample(base, folder)
        _draw_ceiling(base, folder)


def _draw_sample(base: Path, folder: Path) -> None:
    sample = base / "route3d-demo"
    shutil.copytree(HERE.parent / "sample_models" / "workshop", sample)
    week = base / "week-1.json"
    route3d("check", sample, "--json", week)
    route3d("view", sample, "--picture", base / "workshop.png")
    route3d("view", sample, "--picture", base / "bend.png", "--of", "bend-c165b75cf6")
    route3d("explain", "L1-FSH-01", sample, "--strip", base / "strip.png")
    route3d("takeoff", sample, "--run", "L1-HR-01", "--sheets", base / "sheets.pdf")
    for name, suffix in (("workshop", ".webp"), ("bend", ".webp"), ("strip", ".png")):
        keep(Image.open(base / f"{name}.png"), folder / f"{name}{suffix}")
    with pypdfium2.PdfDocument(base / "sheets.pdf") as sheets:
        keep(sheets[0].render(scale=1.6).to_pil(), folder / "pull_sheet.png")
    _draw_page(sample, folder / "page.webp")

    # a week later: two runs are mended, another one was moved into the sprinkler main
    route3d("mend", sample, "--run", "L1-REC-07", "--run", "L1-REC-08", "--write")
    project = sample / "route3d.toml"
    text = project.read_text(encoding="utf-8")
    project.write_text(text.replace("[[1137, 350, 3088]", "[[1137, 720, 2980]"), encoding="utf-8")
    route3d("compare", week, sample, "--picture", base / "compare.png")
    keep(Image.open(base / "compare.png"), folder / "compare.webp")


def _draw_ceiling(base: Path, folder: Path) -> None:
    """Draw the small project of the tutorial, before and after."""
    ceiling = base / "first-ceiling"
    ceiling.mkdir()
    for name in MODELS:
        shutil.copy(HERE.parent / "sample_models" / "workshop" / name, ceiling)
    said = re.search(r"<!-- file: first-ceiling/route3d.toml -->\n```toml\n(.*?)```", _text("tutorial.md"), re.S)
    assert said is not None
    (ceiling / "route3d.toml").write_text(said[1], encoding="utf-8")
    route3d("view", ceiling, "--picture", base / "ceiling_before.png")
    route3d("view", ceiling, "--picture", base / "ceiling_bend.png", "--of", "bend-5be271391a")
    route3d("mend", ceiling, "--all", "--write")
    route3d("view", ceiling, "--picture", base / "ceiling_after.png")
    route3d("explain", "POWER-1", ceiling, "--strip", base / "ceiling_strip.png")
    for name in ("ceiling_before", "ceiling_bend", "ceiling_after"):
        keep(Image.open(base / f"{name}.png"), folder / f"{name}.webp")
    keep(Image.open(base / "ceiling_strip.png"), folder / "ceiling_strip.png")


def _text(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


def _draw_page(sample: Path, target: Path) -> None:
    """Draw the viewer's page as a browser shows it, with one finding chosen."""
    if not BROWSER.exists():
        print(f"{BROWSER} is not there, so {target.name} stays as it is", file=sys.stderr)
        return
    from playwright.sync_api import sync_playwright

    server = subprocess.Popen(
        [sys.executable, "-u", "-m", "route3d", "view", str(sample), "--no-browser", "--port", "0"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert server.stdout is not None
        address = next(line.strip() for line in server.stdout if line.startswith("http://"))
        flags = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=str(BROWSER), args=flags)
            page = browser.new_page(viewport={"width": 1400, "height": 800})
            page.goto(address, timeout=120_000)
            page.get_by_text("78.2 mm").first.click(timeout=120_000)
            page.wait_for_timeout(20_000)  # the view flies there, on a software rasteriser
            shot = page.screenshot(timeout=120_000)
            browser.close()
        keep(Image.open(io.BytesIO(shot)), target)
    finally:
        server.terminate()
        server.wait()


def route3d(*arguments: str | Path) -> None:
    """Run the program; status 1 and 3 are verdicts, 2 is a failure."""
    command: Sequence[str] = [sys.executable, "-m", "route3d", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1, 3):
        raise SystemExit(f"{' '.join(command)}: {done.stdout}{done.stderr}")


def keep(picture: Image.Image, target: Path) -> None:
    """Write a picture of no more than ``WIDTH`` pixels across: drawings as PNG of few colours, scenes as WebP.

    Raises
    ------
    SystemExit
        It is larger than ``MOST_BYTES`` even so.
    """
    picture = picture.convert("RGB")
    if picture.width > WIDTH:
        picture = picture.resize((WIDTH, round(picture.height * WIDTH / picture.width)), Image.Resampling.LANCZOS)
    for quality in (88, 80, 72, 64):
        if target.suffix == ".png":
            picture.quantize(2 * quality, dither=Image.Dither.NONE).save(target, optimize=True)
        else:
            picture.save(target, quality=quality, method=6)
        if target.stat().st_size <= MOST_BYTES:
            return
    raise SystemExit(f"{target.name} has {target.stat().st_size} bytes; make it smaller")
