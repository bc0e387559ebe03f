"""The schema's life on both databases: made, verified, upgraded by several at once or killed half way."""

from __future__ import annotations

import io
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest
from alembic import command
from sqlalchemy import inspect

from service import crash
from service.domain.events import JournalEntry
from service.domain.model import Change
from service.ports import Batch, NewDelivery, StoreError, StoreRevisionError
from service.store import StoreUnreadableError, Upgraded, open_store, upgrade
from service.store.database import connect
from service.store.engines import migrator, parse
from service.store.files import migration_lock
from service.store.schema import configuration, head, scripts_folder, verify
from tests.support.notices import LOW
from tests.support.postgres import Postgres, shared_postgres
from tests.support.wait import eventually

ROOT = Path(__file__).parents[2]
HEAD = head()
BATCH = Batch(
    position=0,
    journal=[JournalEntry(at=1, kind="count", subject="L3/P1", data=b"{}")],
    states={"site": b"kept"},
    notices=[LOW],
    deliveries=[
        NewDelivery(key="k", outlet="hook", conversation="c", change=Change.OPENED, notice=LOW, at=1)
    ],
    refused=[],
)


@pytest.fixture(scope="module")
def postgres() -> Postgres:
    return shared_postgres()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Where a store may be made; nothing is there yet."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path}/store.db"
    else:
        server: Postgres = request.getfixturevalue("postgres")
        name = server.create()
        yield server.url(name)
        server.drop(name)


@pytest.fixture
def newer(tmp_path: Path) -> Callable[[str], Path]:
    """``newer(body)``: the migrations of a version that has one more revision, which runs ``body``."""

    def write(body: str = "op.add_column('notice', sa.Column('new', sa.Text()))") -> Path:
        folder = tmp_path / "newer"
        if not folder.exists():
            shutil.copytree(scripts_folder(), folder, ignore=shutil.ignore_patterns("__pycache__"))
        lines = [
            "import pathlib, time",
            "import sqlalchemy as sa",
            "from alembic import op",
            "revision, down_revision, branch_labels, depends_on = 'newer', " + repr(HEAD) + ", None, None",
            "def upgrade():",
            *(f"    {line}" for line in body.splitlines()),
        ]
        (folder / "versions/newer.py").write_text("\n".join(lines) + "\n")
        return folder

    return write


def tables(url: str) -> set[str]:
    engine = migrator(parse(url))
    with engine.connect() as connection:
        return set(inspect(connection).get_table_names())


def holds_the_batch(url: str) -> bool:
    store = open_store(url, migrate=False)
    try:
        snapshot = store.ledger.load()
        return (snapshot.position, snapshot.states, snapshot.notices) == (1, {"site": b"kept"}, [LOW])
    finally:
        store.close()


def fill(url: str) -> None:
    upgrade(url)
    store = open_store(url, migrate=False)
    store.ledger.commit(BATCH)
    store.close()


def python(code: str, *arguments: str) -> subprocess.Popen[str]:
    command_line = [sys.executable, "-c", code, *arguments]
    return subprocess.Popen(
        command_line, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )


def test_an_upgrade_makes_the_store_and_a_second_one_changes_nothing(url: str) -> None:
    assert upgrade(url) == Upgraded(before=None, after=HEAD)
    assert upgrade(url) == Upgraded(before=HEAD, after=HEAD)


def test_the_migrations_make_exactly_the_tables_of_the_program(url: str) -> None:
    upgrade(url)
    engine = migrator(parse(url))
    with engine.connect() as connection:
        command.check(configuration(scripts_folder(), connection))


def test_a_table_the_migrations_do_not_make_is_noticed(url: str) -> None:
    upgrade(url)
    engine = migrator(parse(url))
    with engine.begin() as connection:
        connection.exec_driver_sql("DROP INDEX ix_outbox_dead")
    with engine.connect() as connection, pytest.raises(Exception, match="ix_outbox_dead"):
        command.check(configuration(scripts_folder(), connection))


def test_sqlite_is_migrated_when_the_program_opens_it(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path}/store.db", migrate=True)
    store.ledger.commit(BATCH)
    store.close()
    assert {path.name for path in tmp_path.iterdir()} == {"store.db", "store.db.migrate-lock"}


def test_postgresql_is_migrated_by_the_command_alone(postgres: Postgres) -> None:
    url = postgres.url(postgres.create())
    with pytest.raises(StoreRevisionError, match=r"no schema yet.*earlybell upgrade-store --config"):
        open_store(url, migrate=True)
    assert tables(url) == set()


def test_a_missing_file_is_not_made_by_looking(tmp_path: Path) -> None:
    with pytest.raises(StoreRevisionError, match="doesn't exist"):
        open_store(f"sqlite:///{tmp_path}/store.db", migrate=False)
    assert list(tmp_path.iterdir()) == []


def test_an_older_schema_is_told_with_what_to_do(url: str, newer: Callable[..., Path]) -> None:
    upgrade(url)
    database = connect(parse(url))
    with pytest.raises(StoreRevisionError, match=rf"older.* {HEAD}.* needs newer: .*earlybell upgrade-store"):
        verify(database, scripts=newer())
    database.close()


def test_a_newer_schema_is_told_with_what_to_do_and_left_alone(url: str, newer: Callable[..., Path]) -> None:
    fill(url)
    assert upgrade(url, scripts=newer()) == Upgraded(before=HEAD, after="newer")
    with pytest.raises(StoreRevisionError, match=r"revision newer, unknown .* install that version"):
        open_store(url, migrate=True)
    with pytest.raises(StoreRevisionError, match=r"revision newer, unknown"):
        upgrade(url)
    database = connect(parse(url))
    verify(database, scripts=newer())
    database.close()


def test_a_database_of_someone_else_is_refused(url: str) -> None:
    engine = migrator(parse(url))
    with engine.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE notice (id INTEGER)")
    with pytest.raises(StoreRevisionError, match=r"tables \(notice\) but no schema revision"):
        upgrade(url)
    assert tables(url) == {"notice"}


def test_a_database_in_another_encoding_is_refused(postgres: Postgres) -> None:
    with postgres.connect() as admin:
        admin.execute("CREATE DATABASE latin TEMPLATE template0 ENCODING 'LATIN1' LOCALE 'C'")
    with pytest.raises(StoreRevisionError, match=r"LATIN1.*ENCODING 'UTF8'"):
        upgrade(postgres.url("latin"))
    postgres.drop("latin")


UPGRADE = """
import sys
from pathlib import Path
from service.store import upgrade
print(upgrade(sys.argv[1], scripts=Path(sys.argv[2])))
"""


def test_of_many_starters_at_once_one_migrates_and_all_succeed(url: str) -> None:
    starters = [python(UPGRADE, url, str(scripts_folder())) for _ in range(4)]
    said = [starter.communicate(timeout=60)[0].strip() for starter in starters]
    assert [starter.returncode for starter in starters] == [0] * 4, said
    made, found = repr(Upgraded(None, HEAD)), repr(Upgraded(HEAD, HEAD))
    assert sorted(said) == sorted([made, found, found, found])


def test_an_upgrade_killed_in_the_middle_leaves_the_old_schema_and_the_next_one_completes(
    url: str, newer: Callable[..., Path], tmp_path: Path
) -> None:
    fill(url)
    half_way = tmp_path / "half way"
    block = f"""op.create_table('half', sa.Column('id', sa.Integer()))
op.execute("DELETE FROM state")
pathlib.Path({str(half_way)!r}).touch()
while True: time.sleep(1)"""
    killed = python(UPGRADE, url, str(newer(block)))
    eventually(half_way.exists, timeout=30)
    killed.send_signal(signal.SIGKILL)
    killed.communicate(timeout=10)
    whole = newer("op.create_table('half', sa.Column('id', sa.Integer()))")
    eventually(lambda: holds_the_batch(url))
    assert "half" not in tables(url)
    assert upgrade(url, scripts=whole) == Upgraded(before=HEAD, after="newer")
    assert "half" in tables(url)


DYING = """
import sys
from service import crash
from service.store import upgrade
crash.arm(sys.argv[2])
upgrade(sys.argv[1])
"""


@pytest.mark.parametrize(("how", "ends"), [("exit", crash.ENDED), ("raise", 1)])
def test_an_upgrade_that_dies_before_its_end_makes_nothing_and_the_next_one_makes_all(
    url: str, how: str, ends: int
) -> None:
    dying = python(DYING, url, f"migrate_mid:1:{how}")
    assert (dying.communicate(timeout=60), dying.returncode)[1] == ends
    assert tables(url) == set()
    assert upgrade(url) == Upgraded(before=None, after=HEAD)
    fill(url)
    assert holds_the_batch(url)


def test_an_upgrade_that_fails_changes_nothing(url: str, newer: Callable[..., Path]) -> None:
    fill(url)
    broken = newer("op.drop_table('journal')\nraise ZeroDivisionError")
    with pytest.raises(ZeroDivisionError):
        upgrade(url, scripts=broken)
    assert holds_the_batch(url)


def test_an_upgrade_over_several_revisions_is_all_or_nothing(url: str, newer: Callable[..., Path]) -> None:
    with pytest.raises(ZeroDivisionError):
        upgrade(url, scripts=newer("raise ZeroDivisionError"))
    assert tables(url) == set()


def test_who_migrates_holds_the_lock_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with migration_lock(path), pytest.raises(StoreError, match=r"store\.db\.migrate-lock: another program"):
        upgrade(f"sqlite:///{path}?timeout=0.1")
    assert upgrade(f"sqlite:///{path}?timeout=0.1").before is None


def test_a_store_that_another_program_holds_is_not_upgraded(url: str, newer: Callable[..., Path]) -> None:
    upgrade(url)
    if url.startswith("sqlite"):
        other = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        holder, query = other, "?timeout=0.1"
    else:
        connection = psycopg.connect(url.replace("+psycopg", ""))
        connection.execute("LOCK TABLE notice IN ACCESS SHARE MODE")
        holder, query = connection, "?options=-c%20lock_timeout%3D100"  # type: ignore[assignment]
    with pytest.raises(StoreError, match="wasn't upgraded"):
        upgrade(url + query, scripts=newer())
    holder.close()
    assert upgrade(url, scripts=newer()).after == "newer"


def spoil(path: Path, how: str) -> None:
    content = path.read_bytes()
    if how == "garbage":
        path.write_bytes(os.urandom(5_000))
    elif how == "no longer a database":
        path.write_bytes(b"<html>" + content[6:])
    elif how == "cut off":
        path.write_bytes(content[: len(content) // 2])
    elif how == "first page torn":
        path.write_bytes(content[:100] + b"\xff" * 4_000 + content[4_100:])
    else:
        path.write_bytes(b"short")


@pytest.mark.parametrize(
    "how", ["garbage", "no longer a database", "cut off", "first page torn", "a few bytes"]
)
@pytest.mark.parametrize("migrate", [True, False])
def test_an_unreadable_file_is_refused_and_left_as_it_is(tmp_path: Path, how: str, *, migrate: bool) -> None:
    path = tmp_path / "store.db"
    fill(f"sqlite:///{path}")
    spoil(path, how)
    before = path.read_bytes()
    with pytest.raises(StoreUnreadableError, match=r"store\.db can't be read.*restore it from a backup"):
        open_store(f"sqlite:///{path}", migrate=migrate)
    assert path.read_bytes() == before


@pytest.mark.parametrize("lost", ["missing", "empty"])
def test_a_write_ahead_log_without_its_database_is_not_thrown_away(tmp_path: Path, lost: str) -> None:
    path, log = tmp_path / "store.db", tmp_path / "store.db-wal"
    upgrade(f"sqlite:///{path}")
    log.write_bytes(b"commits that aren't in the file yet")
    if lost == "missing":
        path.unlink()
    else:
        path.write_bytes(b"")
    with pytest.raises(StoreUnreadableError, match=rf"store\.db is {lost}, but its write-ahead log"):
        open_store(f"sqlite:///{path}", migrate=True)
    assert log.read_bytes() == b"commits that aren't in the file yet"


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    """A start that was killed right after it had made the file leaves such a one."""
    path = tmp_path / "store.db"
    path.touch()
    assert upgrade(f"sqlite:///{path}").before is None


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreUnreadableError, match=r"no folder .*/nowhere"):
        open_store(f"sqlite:///{tmp_path}/nowhere/store.db", migrate=True)


def test_the_installed_program_carries_its_migrations_and_its_words(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    [wheel] = tmp_path.glob("*.whl")
    installed = tmp_path / "site"
    zipfile.ZipFile(io.BytesIO(wheel.read_bytes())).extractall(installed)
    code = "import service.store.schema as s; print(s.__file__, s.upgrade('sqlite:///new.db').after)"
    ran = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(installed)},
        check=True,
        capture_output=True,
        text=True,
    )
    assert ran.stdout.split() == [str(installed / "service/store/schema.py"), HEAD]
    assert (installed / "service/language/de.po").is_file()
