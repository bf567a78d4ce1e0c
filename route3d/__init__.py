"""Checks drawn 3D cable routes before the pull."""

__version__ = "0.1.0"
