"""The review as one page that opens anywhere: no script, no network, pictures inside."""

from __future__ import annotations

import base64
from collections.abc import Sequence

import jinja2

from route3d.model.finding import Review
from route3d.reports.rows import HEADINGS, LEGEND, NOT_ROUTED, run_rows_worst_first
from route3d.reports.strip import strip_svg
from route3d.rules.provenance import REMARKS

_ENVIRONMENT = jinja2.Environment(
    loader=jinja2.PackageLoader("route3d.reports", "templates"),
    autoescape=True,  # names and texts come from drawings, and may hold anything
    trim_blocks=True,
    lstrip_blocks=True,
    undefined=jinja2.StrictUndefined,
)

STRIPS = 24  # drawn into the page; of more failing runs the page names the command that draws them

MARKS = {"pass": "✔", "fail": "✘", "unchecked": "?", NOT_ROUTED: "?", "violation": "✘", "caution": "!", "note": "·"}


def page(review: Review, pictures: Sequence[tuple[str, bytes]], no_picture: str | None = None) -> str:
    """Return the page; ``pictures`` are titles with PNG bytes, ``no_picture`` says why there is none."""
    failing = [run.fitted.run.run_id for run in review.runs if run.verdict == "fail"]
    return _ENVIRONMENT.get_template("review.html").render(
        review=review,
        headings=HEADINGS,
        legend=LEGEND,
        rows=run_rows_worst_first(review),
        pictures=[(title, base64.b64encode(data).decode("ascii")) for title, data in pictures],
        no_picture=no_picture,
        marks=MARKS,
        remarks={"": "", **REMARKS},
        strips=[(run_id, strip_svg(review, run_id)) for run_id in failing[:STRIPS]],
        without_strip=failing[STRIPS:],
    )
