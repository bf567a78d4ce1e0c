"""Places where a search can be held up or ended: whoever runs one says what happens there; else nothing does.

They are at most a look or a check apart, so that a search in a thread of its own gives way at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar


def _go_on() -> None:
    return None


_between: ContextVar[Callable[[], None]] = ContextVar("between", default=_go_on)


@contextmanager
def pausing(between: Callable[[], None]) -> Iterator[None]:
    """Call ``between`` again and again while a search runs in the ``with`` block; what it raises ends the search.

    It must not raise ``ValueError`` or one of this program's errors: searches take these for a line that is none.
    """
    before = _between.set(between)
    try:
        yield
    finally:
        _between.reset(before)


def pause() -> None:
    """Let whoever runs this search hold it up, or end it."""
    _between.get()()
