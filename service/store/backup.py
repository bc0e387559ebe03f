"""A copy of the store to keep, and putting one back.

A copy is one SQLite file, of one moment, made while others write, and compared with what was in the store at
that moment before it gets its name. From an SQLite store SQLite's own backup makes it, from PostgreSQL it is
copied row by row. What is put back is checked first. Deliveries that waited when the copy was made may have
been sent since: they are set aside as dead, where people see them, instead of being sent a second time."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import URL, Connection, func, inspect, null, select, update
from sqlalchemy.exc import SQLAlchemyError

from service.domain.model import Instant
from service.domain.shards import Shard
from service.lease import term_before_a_restore
from service.store.engines import file_of, is_sqlite, parse
from service.store.files import guard
from service.store.holding import (
    Holding,
    changing,
    copy_at,
    copy_pages,
    copy_rows,
    holding,
    make_tables,
    snapshot,
)
from service.store.lease import now_of
from service.store.schema import found_revision, head, is_known, require, upgrade
from service.store.shards import schema_of
from service.store.tables import journal_end, lease, outbox, state

NOT_SENT = "not sent after a restore: it may have been delivered before"
_SPARE = 64 * 2**20
"""Bytes that a backup leaves free on its disk, which may be the store's own."""


class BackupError(Exception):
    """No backup was made or put back. The text says why, and what to do instead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What was put back, how many deliveries were set aside, and where the store before is now: nowhere, if
    there was none, or on PostgreSQL."""

    revision: str
    position: int
    set_aside: int
    replaced: Path | None = None


def back_up(url: str, target: Path, *, shard: Shard | None = None) -> Holding:
    """Copy the store at ``url`` into a new file, and compare the copy with it; safe while the service runs.

    ``shard``: whose store it is, where several share the database; of the others nothing is copied. Raises
    ``BackupError``, ``StoreError``, ``StoreRevisionError``."""
    parsed = parse(url)
    source = file_of(url)
    if source is not None:
        guard(source)
        if not source.exists():
            raise BackupError(f"{source} doesn't exist: there is nothing to back up; correct store.url")
    if target.exists():
        raise BackupError(f"{target} is there already: name a new file, a backup is never overwritten")
    with _growing(target) as part, snapshot(parsed, schema_of(shard)) as store:
        held = holding(store)
        if source is not None:
            _must_have_room(part, source)
            copy_pages(store, part)
        else:
            require(held.revision)
            with copy_at(part, to_write=True) as copy:
                make_tables(copy)
                copy_rows(store, copy)
        copied = check(part)
        if held != copied:
            raise BackupError(f"the copy isn't what was in the store: {copied} instead of {held}")
    return copied


def check(backup: Path) -> Holding:
    """What is in the file, once it is known to be sound and a store of ours. Raises ``BackupError``."""
    if not backup.is_file():
        raise BackupError(f"{backup}: there is no such file")
    try:
        with copy_at(backup) as connection:
            found = list(connection.exec_driver_sql("PRAGMA integrity_check(5)").scalars())
            if found != ["ok"]:
                raise BackupError(f"{backup} is damaged: {'; '.join(found)}")
            held = holding(connection)
    except (sqlite3.Error, SQLAlchemyError) as error:
        cause = getattr(error, "orig", None) or error
        raise BackupError(f"{backup}: not a backup of this program's store: {cause}") from error
    if held.revision is None or not is_known(held.revision):
        raise BackupError(
            f"{backup} is at schema revision {held.revision}, unknown to this program (it needs {head()}): "
            "restore it with the version that made it, or a newer one"
        )
    return held


def restore(url: str, backup: Path, *, force: bool, now: Instant, shard: Shard | None = None) -> Restored:
    """Make ``backup`` the store at ``url``; with ``force`` also where there is one: a file is moved aside,
    what is in a PostgreSQL database is replaced."""
    parsed = _ours(url)
    if is_sqlite(parsed):
        return _into_file(parsed, backup, force=force, now=now)
    return _into_database(parsed, schema_of(shard), backup, force=force, now=now)


def take_over(url: str, *, now: Instant, shard: Shard | None = None) -> Restored:
    """Do to a store that was put back by other means (``pg_restore``, a copy of its disk) what a restore
    does to one."""
    parsed, file, schema = _ours(url), file_of(url), schema_of(shard)
    if file is not None:
        if not file.exists():
            raise BackupError(f"{file} doesn't exist: put the store back there first, or correct store.url")
        must_not_be_used(file)
    with changing(parsed, schema) as store:
        if file is None:
            _must_stand_alone(store, schema)
        revision = found_revision(store)
        if revision is None:
            raise BackupError("no store is there: put it back first, or correct store.url")
        position = store.execute(select(journal_end.c.position)).scalar_one()
        return Restored(revision=revision, position=position, set_aside=_begin_anew(store, now))


def _ours(url: str) -> URL:
    """With connections that are told from those of the service."""
    parsed = parse(url)
    return (
        parsed if is_sqlite(parsed) else parsed.update_query_dict({"application_name": "earlybell-restore"})
    )


def _into_file(url: URL, backup: Path, *, force: bool, now: Instant) -> Restored:
    target = Path(str(url.database))
    held = check(backup)
    if not target.absolute().parent.is_dir():
        raise BackupError(f"{target}: there is no folder {target.absolute().parent}; create it first")
    present = [path for path in _files(target) if path.exists()]
    if present and not force:
        raise BackupError(f"{target} is there already: `--force` moves it aside and puts the backup there")
    must_not_be_used(target)
    with _growing(target, replace=True) as part:
        shutil.copyfile(backup, part)
        check(part)
        with copy_at(part, to_write=True) as connection:
            set_aside = _begin_anew(connection, now)
        _belong_like(part, target if target.exists() else target.absolute().parent)
        replaced = _move_aside(target, now) if present else None
    return Restored(
        revision=str(held.revision), position=held.position, set_aside=set_aside, replaced=replaced
    )


def _into_database(url: URL, schema: str | None, backup: Path, *, force: bool, now: Instant) -> Restored:
    """All of it in one transaction, or nothing."""
    held = check(backup)
    with changing(url, schema) as store:
        _must_stand_alone(store, schema)
        if not force and found_revision(store) is not None and not _is_empty(store):
            raise BackupError(
                f"the database {url.database} holds a store already: `--force` replaces it; nothing of it is"
                " kept, so make a backup of it first, or name a new database in store.url"
            )
    upgrade(url.render_as_string(hide_password=False), schema=schema)
    with _at_our_revision(backup, held) as file, copy_at(file) as copy, changing(url, schema) as store:
        _must_stand_alone(store, schema)
        copy_rows(copy, store)
        set_aside = _begin_anew(store, now)
    return Restored(revision=head(), position=held.position, set_aside=set_aside)


@contextmanager
def _at_our_revision(backup: Path, held: Holding) -> Iterator[Path]:
    """The backup, or where it is older a copy beside it that was brought up to date."""
    if held.revision == head():
        yield backup
        return
    with _part_of(backup) as part:
        shutil.copyfile(backup, part)
        try:
            upgrade(f"sqlite:///{part}")
            yield part
        finally:
            for suffix in ("-wal", "-shm", ".migrate-lock"):
                Path(f"{part}{suffix}").unlink(missing_ok=True)


def _begin_anew(connection: Connection, now: Instant) -> int:
    """Nothing is told twice, and no instance from before may write any more; how many were set aside."""
    waited = update(outbox).where(outbox.c.settled_at.is_(None))
    set_aside = connection.execute(
        waited.values(state="dead", settled_at=now, lease_owner=null(), error=NOT_SENT)
    ).rowcount
    if lease.name in inspect(connection).get_table_names():
        connection.execute(update(lease).values(term=term_before_a_restore(now), until=0))
    return set_aside


def _is_empty(connection: Connection) -> bool:
    position = connection.execute(select(journal_end.c.position)).scalar_one()
    states = connection.execute(select(func.count()).select_from(state)).scalar_one()
    return bool(position == states == 0)


def _must_stand_alone(connection: Connection, schema: str | None) -> None:
    """No instance may have this store open: it would go on with what it remembers. Of a shard with a schema
    of its own the lease tells, for the others' connections are to the same database."""
    if schema is not None:
        if lease.name in inspect(connection).get_table_names():
            held = connection.execute(
                select(lease.c.owner).where(lease.c.until > now_of(connection))
            ).scalar()
            if held:
                raise BackupError(f"{held} is in charge of the shard: stop all its instances first")
        return
    wanted = (
        "SELECT count(*) FROM pg_stat_activity"
        " WHERE datname = current_database() AND application_name = 'earlybell'"
    )
    if others := connection.exec_driver_sql(wanted).scalar_one():
        raise BackupError(f"the database is in use ({others} connections): stop all instances first")


@contextmanager
def _growing(target: Path, *, replace: bool = False) -> Iterator[Path]:
    """A file that takes its name only when it is whole and on the disk; for its owner alone, for it holds
    what passwords are checked against."""
    try:
        with _part_of(target) as part:
            yield part
            _sync(part)
            if not replace and target.exists():
                raise BackupError(f"{target} was made by someone else meanwhile")
            part.rename(target)
            _sync(target.absolute().parent)
    except (OSError, sqlite3.Error) as error:
        raise BackupError(f"{target}: {error}") from error


@contextmanager
def _part_of(target: Path) -> Iterator[Path]:
    part = Path(f"{target}.part")
    part.unlink(missing_ok=True)
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    try:
        yield part
    finally:
        part.unlink(missing_ok=True)


def _must_have_room(part: Path, source: Path) -> None:
    size = sum(path.stat().st_size for path in _files(source) if path.exists())
    free = shutil.disk_usage(part.absolute().parent).free
    if free < size + _SPARE:
        raise BackupError(
            f"{part.absolute().parent} has {free // 2**20} MB free, the store needs {size // 2**20} and"
            f" {_SPARE // 2**20} must stay: name a folder on another disk"
        )


def _belong_like(part: Path, other: Path) -> None:
    """So that the service can open what the administrator put back."""
    if os.geteuid() == 0:
        owner = other.stat()
        os.chown(part, owner.st_uid, owner.st_gid)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _files(target: Path) -> list[Path]:
    return [target, Path(f"{target}-wal"), Path(f"{target}-shm")]


def must_not_be_used(target: Path) -> None:
    """Nobody may have the store open; a file that can't be read is used by nobody."""
    if not target.exists():
        return
    try:
        with closing(sqlite3.connect(target, timeout=0.5)) as connection:
            connection.execute("PRAGMA locking_mode=EXCLUSIVE")
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
            raise BackupError(f"{target} is in use: stop the service first") from error
    except sqlite3.Error:
        return


def _move_aside(target: Path, now: Instant) -> Path:
    aside = Path(f"{target}.before-{now}")
    for path in _files(target):
        if path.exists():
            path.rename(f"{aside}{path.name.removeprefix(target.name)}")
    return aside
