"""Drawables and a camera in, pixels out: the one place where pictures are made with PyVista."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from route3d.drawables import Colour, Drawable
from route3d.viewer.camera import Camera
from route3d.viewer.probe import drawing_off_screen

if TYPE_CHECKING:
    import pyvista

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float64]

# Twice the size, averaged, is smoother than multi-sampling, and on a machine without a graphics card far cheaper.
OVERSIZE = 2
BACKGROUND: Colour = (250, 250, 248)
# How strongly runs, and markers, show through what is before them.
RUN_BEHIND, MARKER_BEHIND = 0.6, 0.9
SMOOTH_TRIANGLES_MAX = 250_000  # rounding off the shading of more facets costs more than it shows


def render(
    backdrop: Sequence[Drawable],
    runs: Sequence[Drawable],
    markers: Sequence[Drawable],
    camera: Camera,
    lines: Sequence[tuple[Floats, Colour, float]] = (),
) -> Pixels:
    """Return the picture (height, width, 3).

    Runs, and after them the markers, are drawn with the ``backdrop`` (the building and its zones), and once more
    without it, so that what is behind something shows through. ``lines`` are (k, 2, 3) segments with colour and width
    in pixels.

    Raises
    ------
    MissingExtraError
        Nothing can be drawn off screen on this machine.
    """
    with drawing_off_screen():
        import pyvista as pv

        plotter = pv.Plotter(
            off_screen=True, window_size=[camera.width * OVERSIZE, camera.height * OVERSIZE], lighting="none"
        )
        try:
            # multi-sampling in software costs a dozen times the picture itself
            window: Any = plotter.render_window
            window.SetMultiSamples(0)
            plotter.renderer.set_background(BACKGROUND)
            plotter.add_light(pv.Light(light_type="headlight"))
            layers = [[actor for one in layer for actor in add(plotter, one)] for layer in (backdrop, runs, markers)]
            layers[0] += [add_lines(plotter, *line) for line in lines if len(line[0])]
            aim(plotter, camera)
            picture = _averaged(np.asarray(plotter.screenshot(None, return_img=True), dtype=np.float32)[:, :, :3])
            for below, layer, share in ((0, runs, RUN_BEHIND), (1, markers, MARKER_BEHIND)):
                for actor in layers[below]:
                    actor.SetVisibility(False)
                if layer:
                    picture = _shown_through(picture, plotter, share)
        finally:
            plotter.close()
    return np.asarray(np.round(np.clip(picture, 0.0, 255.0)), dtype=np.uint8)


def _shown_through(picture: NDArray[np.float32], plotter: pyvista.Plotter, share: float) -> NDArray[np.float32]:
    """Mix what the plotter shows now, without its background, into a picture."""
    window: Any = plotter.render_window
    window.Render()  # a screenshot alone would show the last picture again
    alone = np.asarray(plotter.screenshot(None, return_img=True, transparent_background=True), np.float32)
    cover = alone[:, :, 3:] / 255.0
    colour = _averaged(alone[:, :, :3] * cover)
    return np.asarray(picture * (1.0 - share * _averaged(cover)) + share * colour)


def add(plotter: pyvista.Plotter, drawable: Drawable, zoom: float = OVERSIZE) -> list[Any]:
    """Add one drawable to a plotter and return its actors: the surface, and its lines, ``zoom`` pixels wide."""
    actors = []
    if len(drawable.triangles):
        mesh = surface(drawable)
        smooth = mesh.point_data.active_normals is not None
        ghost = drawable.opacity < 1.0
        actors.append(
            plotter.add_mesh(
                mesh,
                color=drawable.colour,
                opacity=drawable.opacity,
                smooth_shading=smooth,
                ambient=0.6 if ghost else 0.42,
                diffuse=0.4 if ghost else 0.62,
                specular=0.0,
                show_scalar_bar=False,
                reset_camera=False,
                render=False,
            )
        )
    if len(drawable.edges_m):
        colour = drawable.colour if drawable.layer in ("zone", "required") else edge_colour(drawable)
        width = 2.0 if drawable.layer == "zone" else 1.0
        actors.append(add_lines(plotter, drawable.edges_m, colour, width, zoom))
    return actors


def surface(drawable: Drawable) -> pyvista.PolyData:
    """Return the mesh of one drawable, with normals where it is round."""
    import pyvista as pv

    triangles = np.column_stack([np.full(len(drawable.triangles), 3), drawable.triangles])
    mesh = pv.PolyData(np.ascontiguousarray(drawable.points_m, dtype=np.float32), triangles.ravel())
    if drawable.normals is not None:
        mesh.point_data.active_normals = np.array(drawable.normals, dtype=np.float64)
    elif drawable.layer == "building" and len(drawable.triangles) <= SMOOTH_TRIANGLES_MAX:
        # keeps the order of the faces, so that a picked face still names its element
        mesh = mesh.compute_normals(
            cell_normals=False,
            split_vertices=True,
            feature_angle=30.0,
            consistent_normals=False,
            auto_orient_normals=False,
        )
    return mesh


def edge_colour(drawable: Drawable) -> Colour:
    """Return a darker tone of a building part, paler where it is a ghost."""
    r, g, b = (int(0.52 * c + 8) for c in drawable.colour)
    if drawable.opacity < 1.0:
        r, g, b = (int(0.5 * c + 0.5 * w) for c, w in zip((r, g, b), BACKGROUND, strict=True))
    return r, g, b


def add_lines(
    plotter: pyvista.Plotter, segments_m: Floats, colour: Colour, width_px: float, zoom: float = OVERSIZE
) -> Any:
    """Add separate segments (k, 2, 3) to a plotter and return their actor."""
    import pyvista as pv

    ends = np.arange(2 * len(segments_m)).reshape(-1, 2)
    lines = pv.PolyData(
        np.ascontiguousarray(segments_m.reshape(-1, 3), dtype=np.float32),
        lines=np.column_stack([np.full(len(ends), 2), ends]).ravel(),
    )
    return plotter.add_mesh(
        lines,
        color=colour,
        line_width=width_px * zoom,
        lighting=False,
        show_scalar_bar=False,
        reset_camera=False,
        render=False,
    )


def aim(plotter: pyvista.Plotter, camera: Camera) -> None:
    """Give a plotter the camera's view."""
    low, high = np.array(plotter.renderer.ComputeVisiblePropBounds()).reshape(3, 2).T
    reach = float(np.linalg.norm(np.maximum(high, camera.centre_m) - np.minimum(low, camera.centre_m))) + 1.0
    plotter.camera.parallel_projection = True
    plotter.camera.focal_point = tuple(camera.centre_m)
    plotter.camera.position = tuple(camera.centre_m + reach * camera.toward)
    plotter.camera.up = tuple(camera.axes[1])
    plotter.camera.parallel_scale = camera.height * camera.metres_per_px / 2.0
    plotter.renderer.ResetCameraClippingRange()


def _averaged(image: NDArray[np.float32]) -> NDArray[np.float32]:
    corners = [image[i::OVERSIZE, j::OVERSIZE] for i in range(OVERSIZE) for j in range(OVERSIZE)]
    return np.asarray(sum(corners[1:], start=corners[0]) / np.float32(len(corners)), dtype=np.float32)
