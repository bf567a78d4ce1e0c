"""``python -m route3d`` is ``route3d``."""

from route3d.cli.main import run

run()
