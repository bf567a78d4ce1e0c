"""Can this machine draw off screen? Asked in a process of its own, because without a GL library VTK takes its
process down instead of raising an exception."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import cache

from route3d.errors import MissingExtraError

WINDOW_VARIABLE = "VTK_DEFAULT_OPENGL_WINDOW"
TIMEOUT_S = 120.0  # a first start from a cold network disk takes long

# One lit triangle on black: a picture that comes back all black is no picture.
TINY_SCENE = """
from vtkmodules.vtkFiltersSources import vtkConeSource
from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper, vtkRenderWindow, vtkWindowToImageFilter
from vtkmodules.vtkRenderingOpenGL2 import vtkOpenGLRenderer
cone, mapper, actor = vtkConeSource(), vtkPolyDataMapper(), vtkActor()
mapper.SetInputConnection(cone.GetOutputPort())
actor.SetMapper(mapper)
window, renderer, image = vtkRenderWindow(), vtkOpenGLRenderer(), vtkWindowToImageFilter()
window.SetOffScreenRendering(1)
window.SetMultiSamples(0)
window.SetSize(32, 32)
window.AddRenderer(renderer)
renderer.AddActor(actor)
renderer.ResetCamera()
window.Render()
image.SetInput(window)
image.Update()
raise SystemExit(0 if image.GetOutput().GetScalarRange()[1] > 0 else 3)
"""

NO_LIBRARY = (
    "no picture can be drawn here, because no OpenGL library for drawing without a screen works: on Debian or Ubuntu "
    "run 'apt-get install libosmesa6' (or libegl1 with libgl1-mesa-dri), on Windows install the graphics card's own "
    "driver, on macOS run the command in a session of a logged-in user."
)


@cache
def off_screen_window() -> str:
    """Return the name of the VTK window class that draws off screen here, "" where VTK's own choice does.

    Raises
    ------
    MissingExtraError
        None of them draws; the text says what to install.
    """
    for name in _candidates():
        if _draws(name):
            return name
    raise MissingExtraError(NO_LIBRARY)


@cache
def window_works() -> bool:
    """Return whether VTK's own kind of window draws here: without a GL library it would end the program."""
    return _draws("vtkXOpenGLRenderWindow" if sys.platform.startswith("linux") else "")


@contextlib.contextmanager
def drawing_off_screen() -> Iterator[None]:
    """Within the block, new VTK windows are of the kind that was found to draw off screen."""
    name = off_screen_window()
    before = os.environ.get(WINDOW_VARIABLE)
    if name:
        os.environ[WINDOW_VARIABLE] = name
    try:
        yield
    finally:
        if before is None:
            os.environ.pop(WINDOW_VARIABLE, None)
        else:
            os.environ[WINDOW_VARIABLE] = before


def _candidates() -> tuple[str, ...]:
    chosen = os.environ.get(WINDOW_VARIABLE)
    if chosen:
        return (chosen,)
    if sys.platform.startswith("linux"):
        # X comes last: asking for it without a server prints warnings, and a remote one is slow
        shown = ("vtkXOpenGLRenderWindow",) if os.environ.get("DISPLAY") else ()
        return ("vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow", *shown)
    return ("",)


def _draws(name: str) -> bool:
    environment = {**os.environ, **({WINDOW_VARIABLE: name} if name else {})}
    try:
        done = subprocess.run(
            [sys.executable, "-c", TINY_SCENE], env=environment, capture_output=True, timeout=TIMEOUT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0
