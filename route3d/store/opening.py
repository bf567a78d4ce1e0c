"""Opening the database: whole, of our kind, brought up to date after a backup; several processes may use it at once."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from route3d.errors import StoreError
from route3d.model.topic import topic_guid
from route3d.store.schema import APPLICATION_ID, STEPS

_WAIT_S = 30.0
SUFFIX = ".decisions.sqlite"


def store_path(project_file: Path) -> Path:
    """Return where the decisions on a project lie: beside its project file."""
    return project_file.with_name(project_file.stem + SUFFIX)


@contextmanager
def opened(path: Path, steps: Sequence[str] = STEPS) -> Iterator[sqlite3.Connection]:
    """Open (or make) the database, check that it is whole, and bring it up to date.

    Before an existing database is brought up to date, a copy of it is kept beside it.

    Raises
    ------
    StoreError
        It is damaged, of another kind, made by a later version, busy for half a minute, or cannot be written.
    """
    try:
        with closing(sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)) as connection:
            _prepare(connection, path, steps)
            yield connection
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # text of a damaged file need not be text
        raise StoreError(_said(path, error)) from error


@contextmanager
def looked_into(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the database to read it; errors as `opened`.

    In a folder that cannot be written to, its log cannot be made: there it is read as it lies on the disk, provided
    that no log of others is waiting beside it.
    """
    log = path.with_name(path.name + "-wal")
    if os.access(path.parent, os.W_OK) or (log.exists() and log.stat().st_size):
        with opened(path) as connection:
            yield connection
        return
    try:
        address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
        with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as connection:
            if _examine(connection, path, STEPS) < len(STEPS):
                raise StoreError(f"{path}: is of an earlier version, and its folder cannot be written to; copy both")
            yield connection
    except sqlite3.DatabaseError as error:
        raise StoreError(_said(path, error)) from error


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing: what is done inside is written as a whole, with nobody else writing in between."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _examine(connection: sqlite3.Connection, path: Path, steps: Sequence[str]) -> int:
    """Refuse what is damaged, of another kind or of a later version; return the version."""
    version = _version(connection)
    kind = int(connection.execute("PRAGMA application_id").fetchone()[0])
    if kind != APPLICATION_ID and (version or connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]):
        raise StoreError(f"{path}: is not a database of decisions; move it away, a new one is made")
    if version > len(steps):
        raise StoreError(f"{path}: was written by a later version of route3d (step {version}); install that version")
    damage = [row[0] for row in connection.execute("PRAGMA quick_check(3)") if row[0] != "ok"]
    if damage:
        raise StoreError(
            f"{path}: is damaged ({_line(damage[0])}); put back a copy "
            f"({path.name}.before-* lie beside it) or move it away"
        )
    return version


def _prepare(connection: sqlite3.Connection, path: Path, steps: Sequence[str]) -> None:
    version = _examine(connection, path, steps)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    if version < len(steps):
        _bring_up_to_date(connection, path, steps)


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _bring_up_to_date(connection: sqlite3.Connection, path: Path, steps: Sequence[str]) -> None:
    connection.create_function("topic_guid", 2, lambda project, name: topic_guid(str(project), str(name)))
    with writing(connection):
        version = _version(connection)  # another process may have been faster
        if 0 < version < len(steps):
            _keep_copy(path, path.with_name(f"{path.name}.before-{len(steps)}"))
        for number in range(version, len(steps)):
            for statement in _statements(steps[number]):
                connection.execute(statement)
        if version < len(steps):
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {len(steps)}")


def _keep_copy(path: Path, copy: Path) -> None:
    """Keep a whole copy; a reader of its own sees the state before the running transaction."""
    temporary = copy.with_name(f".{copy.name}.{os.getpid()}.part")
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(temporary)) as target:
            source.backup(target)
        os.replace(temporary, copy)
    finally:
        temporary.unlink(missing_ok=True)


def _statements(step: str) -> Iterator[str]:
    """Split a step into statements; a trigger holds semicolons of its own."""
    statement = ""
    for line in step.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            if statement.strip():
                yield statement
            statement = ""
    if statement.strip():
        yield statement


def _line(text: str) -> str:
    return " ".join(text.split())[:200]


def _said(path: Path, error: Exception) -> str:
    words = _line(str(error))
    if "locked" in words or "busy" in words:
        return f"{path}: another program keeps it busy; close it and try again"
    if "readonly" in words or "unable to open" in words:
        return f"{path}: cannot be written ({words}); check the folder and its rights"
    if "disk is full" in words or "disk I/O" in words:
        return f"{path}: the disk gave out ({words}); nothing of this step was kept, free some space and try again"
    return f"{path}: cannot be used ({words}); put back a copy or move it away"
