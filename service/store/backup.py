"""A copy of the store to keep, and putting one back.

SQLite's own backup makes the copy, of one moment, while others write. What is put back is checked first, and
the store that was there is moved aside, never overwritten. Deliveries that waited when the copy was made may
have been sent since: they are set aside as dead, where people see them, instead of being sent a second time.
PostgreSQL has its own tools; these commands only say how to call them."""

from __future__ import annotations

import os
import shlex
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import URL

from service.domain.model import Instant
from service.store.engines import is_sqlite, parse
from service.store.files import guard
from service.store.schema import head, is_known

NOT_SENT = "not sent after a restore: it may have been delivered before"
_SET_ASIDE = (
    "UPDATE outbox SET state = 'dead', settled_at = {now}, lease_owner = NULL, error = '{why}' "
    "WHERE settled_at IS NULL"
)
_BUSY_SECONDS = 5.0


class BackupError(Exception):
    """No backup was made or put back. The text says why, and what to do instead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """What a copy holds."""

    revision: str
    position: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What was put back, how many deliveries were set aside, and where the store before is now."""

    revision: str
    position: int
    set_aside: int
    replaced: Path | None


def back_up(url: str, target: Path) -> Copy:
    """Copy the store at ``url`` into a new file and check the copy; safe while the service runs."""
    parsed = parse(url)
    if not is_sqlite(parsed):
        raise BackupError(
            _by_hand(parsed, f"pg_dump --format=custom --file={shlex.quote(str(target))} {_bare(parsed)}")
        )
    source = Path(str(parsed.database))
    guard(source)
    if not source.exists():
        raise BackupError(f"{source} doesn't exist: there is nothing to back up; correct store.url")
    if target.exists():
        raise BackupError(f"{target} is there already: name a new file, a backup is never overwritten")
    with _growing(target) as part, closing(sqlite3.connect(source, timeout=_BUSY_SECONDS)) as store:
        with closing(sqlite3.connect(part)) as copy:
            store.backup(copy)  # in one step: one moment, and writers aren't held up
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
        return _checked(part)


def restore(url: str, backup: Path, *, force: bool, now: Instant) -> Restored:
    """Make ``backup`` the store at ``url``; with ``force`` also where there is one, which is moved aside."""
    parsed = parse(url)
    if not is_sqlite(parsed):
        how = "--clean --if-exists --single-transaction"
        command = f"pg_restore {how} --dbname={_bare(parsed)} {_word(backup)}"
        after = f'psql {_bare(parsed)} -c "{_SET_ASIDE.format(now=now, why=NOT_SENT)}"'
        raise BackupError(_by_hand(parsed, command, after))
    target = Path(str(parsed.database))
    if not backup.is_file():
        raise BackupError(f"{backup}: there is no such file")
    if not target.absolute().parent.is_dir():
        raise BackupError(f"{target}: there is no folder {target.absolute().parent}; create it first")
    present = [path for path in _files(target) if path.exists()]
    if present and not force:
        raise BackupError(f"{target} is there already: `--force` moves it aside and puts the backup there")
    _must_not_be_used(target)
    with _growing(target, replace=True) as part:
        shutil.copyfile(backup, part)
        copy = _checked(part)
        with closing(sqlite3.connect(part)) as connection, connection:
            set_aside = connection.execute(_SET_ASIDE.format(now=now, why=NOT_SENT)).rowcount
        replaced = _move_aside(target, now) if present else None
    return Restored(revision=copy.revision, position=copy.position, set_aside=set_aside, replaced=replaced)


def _checked(path: Path) -> Copy:
    """What is in the file, once it is known to be sound and a store of ours."""
    try:
        with closing(sqlite3.connect(path)) as connection:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
            if found != ["ok"]:
                raise BackupError(f"the copy is damaged: {'; '.join(found)}")
            (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            (position,) = connection.execute("SELECT position FROM journal_end").fetchone()
    except sqlite3.Error as error:
        raise BackupError(f"not a backup of this program's store: {error}") from error
    if not is_known(revision):
        raise BackupError(
            f"the backup is at schema revision {revision}, unknown to this program (it needs {head()}): "
            "restore it with the version that made it, or a newer one"
        )
    return Copy(revision=revision, position=position)


@contextmanager
def _growing(target: Path, *, replace: bool = False) -> Iterator[Path]:
    """A file that takes its name only when it is whole and on the disk."""
    part = Path(f"{target}.part")
    part.unlink(missing_ok=True)
    try:
        yield part
        _sync(part)
        if not replace and target.exists():
            raise BackupError(f"{target} was made by someone else meanwhile")
        part.rename(target)
        _sync(target.absolute().parent)
    except (OSError, sqlite3.Error) as error:
        raise BackupError(f"{target}: {error}") from error
    finally:
        part.unlink(missing_ok=True)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _files(target: Path) -> list[Path]:
    return [target, Path(f"{target}-wal"), Path(f"{target}-shm")]


def _must_not_be_used(target: Path) -> None:
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


def _bare(url: URL) -> str:
    """The URL as PostgreSQL's tools take it, without the password."""
    bare = URL.create("postgresql", url.username, None, url.host, url.port, url.database)
    return _word(bare.render_as_string())


def _word(what: Path | str) -> str:
    return shlex.quote(str(what))


def _by_hand(url: URL, *commands: str) -> str:
    steps = "\n".join(f"  {command}" for command in commands)
    return (
        f"the store is a PostgreSQL database ({url.database}): use its own tools, nothing was done here. "
        f"The password goes into PGPASSWORD or a password file.\n{steps}"
    )
