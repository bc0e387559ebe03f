"""SQLite's file before it is opened: what is refused, and who may change its schema.

SQLite makes a missing file, takes an empty one for a new database, and then throws away a write-ahead log
that lies beside it. Each would turn an accident into lost data, so it is refused, and nothing is touched.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.ports import StoreError, StoreRevisionError
from service.store.disk import MOUNTS, unsafe
from service.store.faults import Fault, judge_sqlite

_MAGIC = b"SQLite format 3\0"


class StoreUnreadableError(StoreRevisionError):
    """The file isn't a database this program can read. It was left as it is; the message says what to do."""


def guard(path: Path, *, mounts: Path = MOUNTS) -> None:
    """Raise unless ``path`` is absent, new or a readable database with all its parts, where it can be kept
    safely; change nothing."""
    folder = path.absolute().parent
    if not folder.is_dir():
        raise StoreUnreadableError(f"{path}: there is no folder {folder}; create it or correct store.url")
    kind = unsafe(folder, mounts)
    if kind is not None:
        raise StoreUnreadableError(
            f"{path} is on a network or shared file system ({kind}), where an SQLite store breaks silently: "
            "put it on a disk of this machine, or use PostgreSQL"
        )
    for place in (folder, path):
        if place.exists() and not os.access(place, os.W_OK):
            raise StoreUnreadableError(
                f"{place} may not be written: the volume is read-only, or it belongs to another user"
            )
    _guard_size(path)
    if path.exists() and path.stat().st_size > 0:
        _guard_content(path)


def _guard_size(path: Path) -> None:
    log = Path(f"{path}-wal")
    size = path.stat().st_size if path.exists() else None
    if not size and log.exists() and log.stat().st_size > 0:
        what = "is missing" if size is None else "is empty"
        raise StoreUnreadableError(
            f"{path} {what}, but its write-ahead log {log.name} isn't: put the database file back, "
            f"or restore both from a backup, or move {log.name} away to begin with an empty store"
        )


def _guard_content(path: Path) -> None:
    try:
        with path.open("rb") as file:
            known = file.read(len(_MAGIC)) == _MAGIC
        if known:
            _read_schema(path)
    except PermissionError as error:
        raise StoreUnreadableError(f"{path}: this user may not read it ({error.strerror})") from error
    except sqlite3.Error as error:
        if judge_sqlite(error) is not Fault.CORRUPT:
            raise StoreError(f"{path}: {error}") from error
        raise _damaged(path, str(error)) from error
    if not known:
        raise _damaged(path, "it doesn't begin like an SQLite database")


def _read_schema(path: Path) -> None:
    connection = sqlite3.connect(path)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    finally:
        connection.close()


def _damaged(path: Path, reason: str) -> StoreUnreadableError:
    return StoreUnreadableError(
        f"{path} can't be read as a database: {reason}. It was left as it is: restore it from a backup, "
        "or move it away to begin with an empty store"
    )


@contextmanager
def migration_lock(path: Path, *, seconds: float = 60) -> Iterator[None]:
    """Hold ``<path>.migrate-lock``, another starter waits; the system frees it however the holder ends.

    The empty file stays: taken away, it would leave those who wait holding a lock that nobody else sees.
    """
    sentinel = Path(f"{path}.migrate-lock")
    connection = sqlite3.connect(sentinel, timeout=seconds, isolation_level=None)
    try:
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        connection.close()
        raise StoreError(
            f"{sentinel}: another program has been changing the schema for {seconds:g} s"
        ) from error
    try:
        yield
    finally:
        connection.close()
