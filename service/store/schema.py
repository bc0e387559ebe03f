"""The schema's revision: is the store at this program's, and bringing it there.

At the head, behind it or ahead of it are three answers with three different things to do. An upgrade is one
transaction under a lock: two starters don't race, and a killed one leaves nothing half done.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import URL, Connection, inspect
from sqlalchemy.exc import DBAPIError
from sqlalchemy.schema import CreateSchema

from service.ports import StoreError, StoreRevisionError
from service.store.database import Database, connect
from service.store.engines import is_sqlite, migrator, parse
from service.store.faults import Fault, judge, words
from service.store.files import guard, migration_lock
from service.store.tables import metadata

_ADVISORY = 0x4561726C79  # "Early"
_LOCK_SECONDS = 60
_alembic_is_not_threadsafe = threading.Lock()


@dataclass(frozen=True, slots=True)
class Upgraded:
    """The revision before (``None``: there was no schema) and the one the store has now."""

    before: str | None
    after: str


def upgrade(url: str, *, scripts: Path | None = None, schema: str | None = None) -> Upgraded:
    """Bring the store to this program's revision (or that of ``scripts``); nothing to do is fine. ``schema``
    is one of PostgreSQL, made if there is none of that name.

    ``StoreRevisionError`` when it is ahead or not ours, ``StoreError`` when it can't be reached or locked.
    """
    parsed, folder = parse(url), scripts or scripts_folder()
    if is_sqlite(parsed):
        guard(Path(str(parsed.database)))
    needed = _head(_scripts(folder))
    if _revision_at(parsed, schema) == needed:
        return Upgraded(needed, needed)
    try:
        with _alembic_is_not_threadsafe, locked(parsed, schema) as connection:
            if schema is not None:
                connection.execute(CreateSchema(schema, if_not_exists=True))
                connection.commit()
            return _upgrade(connection, folder)
    except DBAPIError as error:
        if judge(error) in (Fault.AGAIN, Fault.LATER):
            raise StoreError(f"the schema wasn't upgraded: {words(error)}") from error
        raise


def verify(database: Database, *, scripts: Path | None = None) -> None:
    """Raise ``StoreRevisionError`` unless the store is at this program's revision (or ``scripts``')."""
    require(database.read(found_revision), scripts=scripts)


def require(found: str | None, *, scripts: Path | None = None) -> None:
    """Raise ``StoreRevisionError`` unless ``found`` is this program's revision (or ``scripts``')."""
    _require(found, _scripts(scripts or scripts_folder()))


def stamp(connection: Connection) -> None:
    """Note that tables made at once, not by migrations, are at this program's revision."""
    MigrationContext.configure(connection).stamp(_scripts(scripts_folder()), head())


def head() -> str:
    """The revision this program needs."""
    return _head(_scripts(scripts_folder()))


def is_known(revision: str) -> bool:
    """Whether this program has it, or one that follows it."""
    return _knows(_scripts(scripts_folder()), revision)


def found_revision(connection: Connection) -> str | None:
    return MigrationContext.configure(connection).get_current_revision()


def scripts_folder() -> Path:
    """The migrations: beside this file in an installed wheel, ``alembic/`` in a source checkout."""
    packaged = Path(__file__).with_name("migrations")
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "alembic"


def configuration(scripts: Path, connection: Connection | None = None) -> Config:
    """Alembic's configuration; built here because a URL in a file would need its ``%`` doubled."""
    config = Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def _upgrade(connection: Connection, folder: Path) -> Upgraded:
    scripts = _scripts(folder)
    before = found_revision(connection)
    if before is None:
        _require_vacant(connection)
    elif not _knows(scripts, before):
        raise _ahead(before, scripts)
    connection.rollback()  # end the look: Alembic opens the one transaction that it commits
    if before != _head(scripts):
        command.upgrade(configuration(folder, connection), "head")
    return Upgraded(before, _head(scripts))


def _revision_at(url: URL, schema: str | None) -> str | None:
    """What a look without any lock finds; mostly that is all there is to do."""
    if is_sqlite(url) and not Path(str(url.database)).exists():
        return None
    database = connect(url, schema)
    try:
        return database.read(found_revision)
    finally:
        database.close()


@contextmanager
def locked(url: URL, schema: str | None = None) -> Iterator[Connection]:
    """A connection that may change the schema, and nobody else meanwhile."""
    engine = migrator(url, schema)
    try:
        if is_sqlite(url):
            wait = float(str(url.query.get("timeout", _LOCK_SECONDS)))
            with migration_lock(Path(str(url.database)), seconds=wait), engine.connect() as connection:
                yield connection
        else:
            with engine.connect() as connection:
                _lock_postgresql(connection)
                yield connection
    finally:
        engine.dispose()


def _lock_postgresql(connection: Connection) -> None:
    """Take the lock of this session: it outlives transactions and ends with the connection."""
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{_LOCK_SECONDS}s'")
    connection.exec_driver_sql(f"SELECT pg_advisory_lock({_ADVISORY})")
    encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
    connection.commit()
    if encoding != "UTF8":
        raise StoreRevisionError(
            f"the database's encoding is {encoding}: create one with ENCODING 'UTF8' and name it in store.url"
        )


def _require_vacant(connection: Connection) -> None:
    names = set(inspect(connection).get_table_names()) - {"alembic_version"}
    strange = names if connection.dialect.name == "sqlite" else names & set(metadata.tables)
    if strange:
        raise StoreRevisionError(
            f"the database holds tables ({', '.join(sorted(strange)[:5])}) but no schema revision: "
            "it isn't this program's; name another in store.url"
        )


def _require(found: str | None, scripts: ScriptDirectory) -> None:
    needed = _head(scripts)
    if found == needed:
        return
    if found is not None and not _knows(scripts, found):
        raise _ahead(found, scripts)
    where = "has no schema yet" if found is None else f"is at the older schema revision {found}"
    raise StoreRevisionError(
        f"the store {where}, this program needs {needed}: "
        "run `earlybell upgrade-store --config …` once, then start again"
    )


def _ahead(found: str, scripts: ScriptDirectory) -> StoreRevisionError:
    return StoreRevisionError(
        f"the store is at schema revision {found}, unknown to this program (it needs {_head(scripts)}): "
        "a newer version wrote it; install that version or a newer one, or restore a backup from before"
    )


@cache
def _scripts(folder: Path) -> ScriptDirectory:
    return ScriptDirectory.from_config(configuration(folder))


def _head(scripts: ScriptDirectory) -> str:
    revision = scripts.get_current_head()
    if revision is None:
        raise StoreRevisionError(f"no migrations in {scripts.dir}: install the program again")
    return revision


def _knows(scripts: ScriptDirectory, revision: str) -> bool:
    try:
        return scripts.get_revision(revision) is not None
    except CommandError:
        return False
