"""Notices when a file that was read changes on disk."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path

from watchfiles import Change, awatch

Watched = Mapping[str, tuple[Path, str]]  # name shown -> file, and the sha256 of what was read

_DEBOUNCE_MS = 400  # programs write a file in several steps


def changed_files(watched: Watched) -> list[str]:
    """Return the names of files whose content is not what was read, or that are gone."""
    return sorted(_changed(watched))


def _changed(watched: Watched) -> dict[str, str]:
    """Return the digests of files whose content is not what was read, by name."""
    now = {name: digest_of(path) for name, (path, _) in watched.items()}
    return {name: digest for name, digest in now.items() if digest != watched[name][1]}


def digest_of(path: Path) -> str:
    """Return the sha256 of a file, "" where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


async def watch_inputs(
    watched: Callable[[], Watched], tell: Callable[[list[str]], Awaitable[None]], stop: asyncio.Event
) -> None:
    """Call ``tell`` with the names of changed files whenever these or their contents change, until ``stop`` is set.

    Folders are watched, not files: many programs write a new file and give it the old one's name.
    """
    told: dict[str, str] = {}
    polling: bool | None = None
    while not stop.is_set():
        now = watched()
        by_path = {str(path.resolve()): name for name, (path, _) in now.items()}
        folders = {str(Path(path).parent) for path in by_path if Path(path).parent.is_dir()}
        if not folders:
            await stop.wait()
            return

        def wanted(_: Change, path: str, by_path: Mapping[str, str] = by_path) -> bool:
            return path in by_path

        try:
            watching = awatch(
                *folders,
                watch_filter=wanted,
                debounce=_DEBOUNCE_MS,
                recursive=False,
                stop_event=stop,
                rust_timeout=1_000,
                yield_on_timeout=True,
                force_polling=polling,
                ignore_permission_denied=True,
            )
            begins = True
            async for seen in watching:
                if watched() is not now:
                    told = {}
                    break  # the project was read again: perhaps from other files
                # what changed while nobody was watching is found at the first look
                changed = await asyncio.to_thread(_changed, now) if seen or begins else told
                begins = False
                if changed != told:
                    told = changed
                    await tell(sorted(changed))
        except (OSError, RuntimeError):
            if polling:
                raise
            polling = True  # the system gives out no more watches: look again and again instead
