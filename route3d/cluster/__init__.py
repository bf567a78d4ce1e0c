"""A check spread over the machines of an existing engine: cut in space, sent, put together again, same bytes."""

from route3d.cluster.check import Sizes, check_with
from route3d.cluster.engine import connected

__all__ = ["Sizes", "check_with", "connected"]
