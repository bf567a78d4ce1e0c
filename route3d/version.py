"""Which route3d this is, and where its files lie."""

from pathlib import Path

VERSION = "0.1.0"
PACKAGE = Path(__file__).parent
