"""The viewer's page as one file that needs no network: its script, its style and a review inside."""

from __future__ import annotations

import base64
import gzip
import html
import re
from collections.abc import Callable
from importlib.resources import files
from typing import Any

from route3d.errors import MissingExtraError
from route3d.model.decision import Kept
from route3d.model.finding import Review
from route3d.model.job import Job
from route3d.rules.rulebook import RuleBook
from route3d.viewer.page_building import building_payload
from route3d.viewer.page_data import PageMaker, Results, page_json
from route3d.viewer.page_decisions import page_decisions

_STYLE = '<link rel="stylesheet" href="/app.css">'
_SCRIPT = '<script src="/app.js"></script>'
# scripts and styles of this file only; nothing is ever fetched
_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "worker-src blob:; base-uri 'none'; form-action 'none'"
)


def page_file(
    job: Job,
    review: Review,
    rules: RuleBook,
    results: Results,
    *,
    project_file: str,
    shown: Callable[[str], str] = str,
    kept: Kept | None = None,
) -> str:
    """Return the page with a whole review, its decisions and the building, read-only.

    Parameters
    ----------
    results : what `reports.results_json.results` does, handed in by the command.
    project_file : name of the project file, without its folder.
    shown : takes folders of this machine out of texts.
    kept : what is kept from check to check, as the check of this review left it.

    Raises
    ------
    MissingExtraError
        This installation has no built page.
    """
    index, style, script = (_built(name) for name in ("index.html", "app.css", "app.js"))
    maker = PageMaker.of(job, review, rules, results, editable=lambda run_id: False, project_file=project_file)
    decided = page_decisions(Kept() if kept is None else kept, {f.finding_id: f for f in review.findings})
    whole = {**maker.review(review), **decided, "decisions_number": 0, "decisions_trouble": "", "saved_as": {}}
    said = shown(page_json(whole).decode("utf-8")).encode("utf-8")
    building = building_payload(job, maker.origin_m, quantised=True, shown=shown)
    embedded = "".join(
        f'<script id="{name}" type="application/octet-stream">{_packed(data)}</script>\n'
        for name, data in (("review", said), ("building", building))
    )
    policy = f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
    title = f"<title>{html.escape(review.project)} – route review</title>"
    page = _replaced(index, "<title>Route review</title>", f"{policy}\n{title}")
    if "</style" in style.lower():
        raise ValueError("the built style would end its own element")
    page = _replaced(page, _STYLE, f"<style>{style}</style>")
    # means the same in texts and patterns of the script, and does not end it
    safe = re.sub(r"<(?=/script|!--|script)", lambda _: r"\x3c", script, flags=re.IGNORECASE)
    caution = f"<noscript><p>{html.escape(review.caution)} This page needs JavaScript.</p></noscript>\n"
    return _replaced(page, _SCRIPT, f"{caution}{embedded}<script>{safe}</script>")


def _built(name: str) -> str:
    try:
        return (files("route3d.viewer") / "page" / "built" / name).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise MissingExtraError("the built page of the viewer is missing; install route3d from its package") from None


def _packed(data: bytes) -> str:
    return base64.b64encode(gzip.compress(data, compresslevel=9, mtime=0)).decode("ascii")


def _replaced(page: str, old: str, new: Any) -> str:
    if page.count(old) != 1:
        raise ValueError(f"the built page has {page.count(old)} places for {old!r}, not one")
    return page.replace(old, new)
