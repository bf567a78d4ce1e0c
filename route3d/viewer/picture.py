"""The review as one picture, made without a display: plan, overview from above, or one finding closely."""

from __future__ import annotations

from pathlib import Path

from route3d.files import whole_file
from route3d.model.finding import Review
from route3d.model.job import Job
from route3d.viewer.composition import compose
from route3d.viewer.layout import Layout
from route3d.viewer.render import render
from route3d.viewer.staging import stage

LEAST_SIZE = (640, 360)


def draw_picture(
    job: Job, review: Review, path: Path, *, size: tuple[int, int] = (1920, 1080), view: str = "overview"
) -> None:
    """Write a PNG of the review.

    Parameters
    ----------
    size : width and height in pixels, at least 640 × 360.
    view : "overview" (from above, without perspective), "plan" (straight down, between floor and deck), or the id of
        a finding.

    Raises
    ------
    MissingExtraError
        Nothing can be drawn off screen on this machine.
    Route3DError
        There is no such view, or the finding has no place in the model.
    ValueError
        The size is too small to be read.
    """
    if size[0] < LEAST_SIZE[0] or size[1] < LEAST_SIZE[1]:
        raise ValueError(
            f"a picture needs at least {LEAST_SIZE[0]} × {LEAST_SIZE[1]} pixels, not {size[0]} × {size[1]}"
        )
    layout = Layout.of(size)
    staged = stage(job, review, view, layout.scene_width, layout.scene_height, layout.scale)
    pixels = render(staged.backdrop, staged.runs, staged.markers, staged.camera, staged.lines)
    image = compose(layout, job, review, staged, pixels)
    with whole_file(path) as file:
        image.save(file, format="PNG")
