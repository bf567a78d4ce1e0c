"""The review as one page that opens anywhere: no script, no network, pictures inside."""

from __future__ import annotations

import base64
from collections.abc import Sequence

import jinja2

from route3d.model.decision import Kept, by_finding
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
DECIDED_WORDS = {"open": "open", "to-mend": "to mend", "accepted": "accepted", "not-ours": "not ours"}
PRESENCE_WORDS = {
    "mended": "mended",
    "not-judged": "no longer found, but its run could not be judged in full",
    "not-looked-for": "its check did not run",
    "run-gone": "its run is gone",
}


def page(
    review: Review,
    pictures: Sequence[tuple[str, bytes]],
    no_picture: str | None = None,
    kept: Kept | None = None,
) -> str:
    """Return the page; ``pictures`` are titles with PNG bytes, ``no_picture`` says why there is none.

    ``kept`` is what is kept from check to check, where decisions are.
    """
    kept = Kept() if kept is None else kept
    failing = [run.fitted.run.run_id for run in review.runs if run.verdict == "fail"]
    return _ENVIRONMENT.get_template("review.html").render(
        review=review,
        headings=HEADINGS,
        legend=LEGEND,
        rows=run_rows_worst_first(review),
        pictures=[(title, base64.b64encode(data).decode("ascii")) for title, data in pictures],
        no_picture=no_picture,
        marks=MARKS,
        decided=by_finding(kept.matters),
        past=[matter for matter in kept.matters if matter.presence != "found"],
        trend=kept.trend[::-1],
        most=max([1, *(p.counts.get("violation", 0) + p.counts.get("caution", 0) for p in kept.trend)]),
        words=DECIDED_WORDS,
        stands=PRESENCE_WORDS,
        remarks={"": "", **REMARKS},
        strips=[(run_id, strip_svg(review, run_id)) for run_id in failing[:STRIPS]],
        without_strip=failing[STRIPS:],
    )
