"""The review in a window of its own: turn it with the mouse, step through the findings with the keyboard."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

import numpy as np

from route3d.drawables import SEVERITY_COLOURS
from route3d.errors import MissingExtraError, Route3DError
from route3d.model.finding import Finding, Review
from route3d.model.job import Job
from route3d.viewer.probe import WINDOW_VARIABLE, window_works
from route3d.viewer.render import BACKGROUND, add, add_lines, aim
from route3d.viewer.staging import Stage, stage

if TYPE_CHECKING:
    import pyvista

SIZE = (1600, 1000)
LINE_LETTERS = 110
INK = (27, 31, 36)
KEYS = "n, p: next and previous finding    o: overview    t: plan    q: close    mouse: turn, shift: move, wheel: zoom"
NO_DISPLAY = (
    "no window can be opened, because there is no display here: draw a picture instead with 'view --picture FILE.png'."
)
NO_GL = (
    "no window can be opened, because this display offers no OpenGL (on Debian or Ubuntu install libgl1 and "
    "libgl1-mesa-dri): draw a picture instead with 'view --picture FILE.png'."
)


def open_window(job: Job, review: Review) -> None:
    """Show the review in a window until the user closes it.

    Raises
    ------
    Route3DError
        There is no display.
    MissingExtraError
        The display cannot draw in three dimensions.
    """
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        raise Route3DError(NO_DISPLAY)
    if not window_works():
        raise MissingExtraError(NO_GL)
    # a variable set for pictures would make a window that nobody sees
    os.environ.pop(WINDOW_VARIABLE, None)
    import pyvista as pv

    plotter = pv.Plotter(off_screen=False, window_size=list(SIZE), lighting="none", title=f"route3d: {review.project}")
    try:
        Walk(plotter, job, review).begin()
        plotter.show(auto_close=False)
    finally:
        plotter.close()


class Walk:
    """What the plotter shows now, and the way to the next finding."""

    def __init__(self, plotter: pyvista.Plotter, job: Job, review: Review) -> None:
        self._plotter, self._job, self._review = plotter, job, review
        self._places = [f for f in review.findings if f.point_m is not None]
        self._index = -1

    def begin(self) -> None:
        """Show the overview and listen to the keys."""
        import pyvista as pv

        self._plotter.renderer.set_background(BACKGROUND)
        self._plotter.add_light(pv.Light(light_type="headlight"))
        self.show("overview")
        for key, act in (
            ("n", lambda: self.step(1)),
            ("p", lambda: self.step(-1)),
            ("o", lambda: self.show("overview")),
            ("t", lambda: self.show("plan")),
        ):
            # p and t mean something else to the default handler
            plotter: Any = self._plotter
            plotter.clear_events_for_key(key, raise_on_missing=False)
            plotter.add_key_event(key, act)

    def step(self, by: int) -> None:
        """Go to the next (1) or the previous (-1) finding that has a place, round and round."""
        if self._places:
            start = -1 if self._index < 0 and by > 0 else max(self._index, 0)
            self._index = (start + by) % len(self._places)
            self.show(self._places[self._index].finding_id)

    def show(self, view: str) -> None:
        """Show one view: overview, plan, or a finding by its id."""
        width, height = self._plotter.window_size
        staged = stage(self._job, self._review, view, width, height, 1.0)
        self._plotter.clear_actors()
        for one in (*staged.backdrop, *staged.runs, *staged.markers):
            add(self._plotter, one, zoom=1.0)
        for segments, colour, width_px in staged.lines:
            add_lines(self._plotter, segments, colour, width_px, zoom=1.0)
        for dimension in staged.dimensions:
            segments = np.stack([dimension.line_m[:-1], dimension.line_m[1:]], axis=1)
            add_lines(self._plotter, segments, dimension.colour, 3.0, zoom=1.0)
        self._words(staged)
        aim(self._plotter, staged.camera)
        self._plotter.render()

    def _words(self, staged: Stage) -> None:
        review = self._review
        shown = self._places if staged.finding is None else [staged.finding]
        numbers: dict[int, int] = {id(f): i for i, f in enumerate(review.findings, 1)}
        for severity, colour in SEVERITY_COLOURS.items():
            members = [f for f in shown if f.severity == severity]
            if members:
                self._plotter.add_point_labels(
                    np.array([f.point_m for f in members]) - staged.origin,
                    [str(numbers[id(f)]) for f in members],
                    font_size=15,
                    bold=True,
                    text_color="white" if severity == "violation" else "black",
                    shape_color=colour,
                    shape_opacity=0.9,
                    margin=4,
                    show_points=False,
                    always_visible=True,
                    reset_camera=False,
                )
        head = f"{review.project}\nrule set {review.rules}, {len(review.findings)} findings"
        if review.unread:
            head += f"\nNOT READ: {len(review.unread)} objects, so not clear"
        if staged.finding is not None:
            head += "\n\n" + self._about(staged.finding, numbers[id(staged.finding)])
            head += "".join(f"\n{d.words}" for d in staged.dimensions if d.words)
        foot = f"{folded(review.caution, 2 * LINE_LETTERS)}\n{KEYS}"
        self._plotter.add_text(head, position="upper_left", font_size=11, color=INK)
        self._plotter.add_text(foot, position="lower_left", font_size=8, color=INK)

    def _about(self, finding: Finding, number: int) -> str:
        about = f"{number}  {finding.severity}: {finding.check}  {finding.run or 'whole job'}\n{finding.rule}"
        return f"{about}\n{folded(finding.message, LINE_LETTERS)}\n{folded(finding.remedy, LINE_LETTERS)}"


def folded(words: str, letters: int) -> str:
    """Return the words in lines of at most so many letters.

    >>> folded("one two three", 8)
    'one two\\nthree'
    """
    lines = [""]
    for word in words.split():
        if len(lines[-1]) + len(word) + 1 > letters and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)
