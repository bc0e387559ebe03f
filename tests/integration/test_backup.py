"""A copy of the store to keep, taken while others write, and put back without telling anyone twice."""

from __future__ import annotations

import itertools
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from service.domain.model import SECOND
from service.domain.shards import Shard
from service.lease import LeaseLost, follows_a_restore
from service.store import (
    BackupError,
    Store,
    StoreUnreadableError,
    back_up,
    check_backup,
    dated,
    open_store,
    register,
    restore,
    rotate,
    take_over,
)
from service.store.disk import kind_of, unsafe
from service.store.files import guard
from service.store.schema import head
from tests.contract.builders import batch, closed, delivery, entries, opened, refused
from tests.support.postgres import shared_postgres
from tests.support.small_disk import small_disk
from tests.support.stores import NewStore
from tests.support.wait import eventually

NOW = 1_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{path}", migrate=True)
    yield store
    store.close()


def url_of(store: Store) -> str:
    return store.database.writer.url.render_as_string(hide_password=False)


def until_alone(url: str) -> None:
    """A server needs a moment to see that a connection was closed."""
    if url.startswith("sqlite"):
        return
    wanted = text("SELECT 1 FROM pg_stat_activity WHERE application_name = 'earlybell' AND datname = :name")
    engine = create_engine(url)
    with engine.connect() as connection:
        eventually(lambda: connection.execute(wanted, {"name": engine.url.database}).first() is None)
    engine.dispose()


def position(path: Path) -> int:
    store = open_store(f"sqlite:///{path}", migrate=False)
    try:
        return store.ledger.load().position
    finally:
        store.close()


def test_a_backup_taken_while_the_service_writes_is_whole(store: Store, path: Path, tmp_path: Path) -> None:
    done = threading.Event()
    written = [0]

    def write() -> None:
        while not done.is_set():
            store.ledger.commit(
                batch(written[0], journal=entries(written[0]), states={"a": os.urandom(9000)})
            )
            written[0] += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        copies = [back_up(f"sqlite:///{path}", tmp_path / f"copy{number}") for number in range(5)]
    finally:
        done.set()
        writer.join(10)
    assert [copy.revision for copy in copies] == [head()] * 5
    positions = [copy.position for copy in copies]
    assert positions == sorted(positions)
    assert positions[-1] <= written[0]
    assert [position(tmp_path / f"copy{number}") for number in range(5)] == positions
    assert not list(tmp_path.glob("*.part"))


def test_a_backup_is_never_overwritten(store: Store, path: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.write_text("something dear")
    with pytest.raises(BackupError, match="is there already"):
        back_up(f"sqlite:///{path}", kept)
    assert kept.read_text() == "something dear"


def test_there_is_no_backup_of_nothing(tmp_path: Path) -> None:
    with pytest.raises(BackupError, match="doesn't exist"):
        back_up(f"sqlite:///{tmp_path}/nothing.db", tmp_path / "copy")
    assert not (tmp_path / "nothing.db").exists()


def test_what_was_there_before_a_restore_is_kept(store: Store, path: Path, tmp_path: Path) -> None:
    store.ledger.commit(batch(journal=entries(1)))
    back_up(f"sqlite:///{path}", tmp_path / "copy")
    store.ledger.commit(batch(1, journal=entries(2)))
    store.close()
    with pytest.raises(BackupError, match="--force"):
        restore(f"sqlite:///{path}", tmp_path / "copy", force=False, now=NOW)
    done = restore(f"sqlite:///{path}", tmp_path / "copy", force=True, now=NOW)
    assert (done.position, position(path)) == (1, 1)
    assert done.replaced is not None
    assert position(done.replaced) == 2


def test_a_store_in_use_is_not_replaced(store: Store, path: Path, tmp_path: Path) -> None:
    store.ledger.commit(batch(journal=entries(1)))
    back_up(f"sqlite:///{path}", tmp_path / "copy")
    with pytest.raises(BackupError, match="stop the service first"):
        restore(f"sqlite:///{path}", tmp_path / "copy", force=True, now=NOW)
    assert store.ledger.load().position == 1


def test_a_damaged_store_is_replaced_by_its_backup(store: Store, path: Path, tmp_path: Path) -> None:
    store.ledger.commit(batch(journal=entries(1)))
    back_up(f"sqlite:///{path}", tmp_path / "copy")
    store.close()
    path.write_bytes(os.urandom(9000))
    restore(f"sqlite:///{path}", tmp_path / "copy", force=True, now=NOW)
    assert position(path) == 1


@pytest.mark.parametrize("what", ["garbage", "another database", "torn", "newer"])
def test_what_is_not_a_sound_backup_is_refused_and_nothing_is_touched(
    store: Store, path: Path, tmp_path: Path, what: str
) -> None:
    store.ledger.commit(batch(journal=entries(1), states={"a": os.urandom(200_000)}))
    copy = tmp_path / "copy"
    back_up(f"sqlite:///{path}", copy)
    store.close()
    if what == "garbage":
        copy.write_bytes(os.urandom(9000))
    elif what == "torn":
        copy.write_bytes(copy.read_bytes()[:100_000])
    else:
        copy = copy if what == "newer" else tmp_path / "other"
        with sqlite3.connect(copy) as other:
            spoil = (
                "UPDATE alembic_version SET version_num = 'x'" if what == "newer" else "CREATE TABLE t (a)"
            )
            other.execute(spoil)
        other.close()
    with pytest.raises(BackupError):
        restore(f"sqlite:///{path}", copy, force=True, now=NOW)
    assert position(path) == 1


def test_deliveries_that_waited_when_the_backup_was_made_are_not_sent_again_but_listed(
    store: Store, path: Path, tmp_path: Path
) -> None:
    store.ledger.commit(batch(deliveries=[delivery(f"k{n}", f"c{n}:hook") for n in range(500)]))
    back_up(f"sqlite:///{path}", tmp_path / "copy")
    store.close()
    done = restore(f"sqlite:///{path}", tmp_path / "copy", force=True, now=NOW)
    assert done.set_aside == 500
    again = open_store(f"sqlite:///{path}", migrate=False)
    assert again.outbox.claim(owner="a", now=10**18, lease_until=10**18 + 1, limit=10) == []
    assert again.outbox.backlog() == {("hook", "dead"): 500}
    again.ledger.commit(batch(deliveries=[delivery("new", "c1:hook")]))
    assert [row.key for row in again.outbox.claim(owner="a", now=1, lease_until=2, limit=10)] == ["new"]
    again.close()


def settled_and_open(store: Store) -> tuple[object, ...]:
    """All that a person or the program would miss."""
    archive = store.archive
    return (
        store.ledger.load().states,
        list(archive.journal(position=0)),
        [each.id for each in archive.notices(states=None, limit=100, after=None)],
        [(each.id, each.payload, each.times) for each in archive.refused(limit=100, after=None)],
        archive.checkpoint(at=None),
    )


@pytest.fixture
def full() -> Callable[[Store], None]:
    def fill(store: Store) -> None:
        store.ledger.commit(
            batch(
                journal=entries(1, 2),
                states={"a": os.urandom(5000), "odd \udc80 name": b"\0"},
                notices=[opened("n1"), closed("n2")],
                deliveries=[delivery("k1"), delivery("k2", "n2:hook")],
                refused=[refused(b"a\0b"), refused(b"c")],
            )
        )
        store.ledger.save_checkpoint(1, 1, {"a": b"1"})

    return fill


@pytest.mark.parametrize(("before", "after"), list(itertools.product(["sqlite", "postgresql"], repeat=2)))
def test_a_backup_of_either_database_is_put_back_into_either(
    new_store: NewStore, tmp_path: Path, full: Callable[[Store], None], before: str, after: str
) -> None:
    source, target = new_store(before), new_store(after)
    full(source)
    expected = settled_and_open(source)
    done = back_up(url_of(source), tmp_path / "copy")
    assert (done.position, done.rows["state"], done.rows["outbox"]) == (2, 2, 2)
    assert check_backup(tmp_path / "copy") == done
    target.close()
    restored = restore(url_of(target), tmp_path / "copy", force=True, now=NOW)
    assert (restored.position, restored.set_aside) == (2, 2)
    assert settled_and_open(target) == expected
    assert target.outbox.backlog() == {("hook", "dead"): 2}
    target.ledger.commit(batch(2, deliveries=[delivery("k3")], refused=[refused(b"d")]))
    assert [each.key for each in target.outbox.claim(owner="a", now=1, lease_until=2, limit=9)] == ["k3"]


def test_a_postgresql_store_in_use_or_with_something_in_it_is_not_replaced(
    new_store: NewStore, tmp_path: Path, full: Callable[[Store], None]
) -> None:
    store = new_store("postgresql")
    url = url_of(store)
    full(store)
    back_up(url, tmp_path / "copy")
    for act in (
        lambda: restore(url, tmp_path / "copy", force=True, now=NOW),
        lambda: take_over(url, now=NOW),
    ):
        with pytest.raises(BackupError, match="stop all instances first"):
            act()
    store.close()
    until_alone(url)
    with pytest.raises(BackupError, match="holds a store already"):
        restore(url, tmp_path / "copy", force=False, now=NOW)
    assert store.outbox.backlog() == {("hook", "waiting"): 2}


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_what_was_put_back_by_other_means_tells_nothing_twice_either(
    new_store: NewStore, full: Callable[[Store], None], kind: str
) -> None:
    store = new_store(kind)
    full(store)
    store.close()
    until_alone(url_of(store))
    assert take_over(url_of(store), now=NOW).set_aside == 2
    assert store.outbox.backlog() == {("hook", "dead"): 2}


def test_where_nothing_was_put_back_nothing_is_taken_over_and_none_is_made(path: Path) -> None:
    with pytest.raises(BackupError, match="doesn't exist: put the store back"):
        take_over(f"sqlite:///{path}", now=NOW)
    assert not path.exists()
    path.touch()
    with pytest.raises(BackupError, match="no store is there"):
        take_over(f"sqlite:///{path}", now=NOW)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_no_instance_from_before_a_restore_writes_after_it(
    new_store: NewStore, tmp_path: Path, kind: str
) -> None:
    store = new_store(kind)
    leased = store.leases.take(owner="A", life="1")
    assert leased is not None
    back_up(url_of(store), tmp_path / "copy")
    paused = store.leases.take(owner="A", life="2", at_once=True)
    assert paused is not None
    store.leases.release(paused)
    store.close()
    until_alone(url_of(store))
    restore(url_of(store), tmp_path / "copy", force=True, now=1_800_000_000_123_456)
    new = store.leases.take(owner="B", life="3")
    assert new is not None
    assert follows_a_restore(new.term)
    for old in (leased, paused):
        assert not follows_a_restore(old.term)
        assert store.leases.renew(old) is None
        with pytest.raises(LeaseLost):
            store.under(old.term).ledger.commit(batch(journal=entries(1)))
    store.under(new.term).ledger.commit(batch(journal=entries(1)))


def test_a_shards_backup_is_of_its_own_store_and_put_back_while_the_others_run(tmp_path: Path) -> None:
    server = shared_postgres()
    name = server.create()
    url = server.url(name)
    rest, east = Shard("rest", ("*",)), Shard("east", ("E*",))
    for shard in (rest, east):
        register(url, shard, now=1)
    running = open_store(url, migrate=False, shard=rest)
    ours = open_store(url, migrate=False, shard=east)
    running.ledger.commit(batch(journal=entries(1), states={"line/W": b"w"}))
    ours.ledger.commit(batch(journal=entries(1, 2), states={"line/E": b"e"}))
    leased = ours.leases.take(owner="A", life="1")
    assert leased is not None
    assert back_up(url, tmp_path / "copy", shard=east).position == 2
    with pytest.raises(BackupError, match="A is in charge of the shard"):
        restore(url, tmp_path / "copy", force=True, now=NOW, shard=east)
    ours.leases.release(leased)
    ours.ledger.commit(batch(2, journal=entries(3), states={"line/E": b"later"}))
    restore(url, tmp_path / "copy", force=True, now=NOW, shard=east)
    assert (ours.ledger.load().position, ours.ledger.load().states) == (2, {"line/E": b"e"})
    assert (running.ledger.load().position, running.ledger.load().states) == (1, {"line/W": b"w"})
    assert running.registry.shards() == [east, rest]
    for store in (running, ours):
        store.close()
    server.drop(name)


def test_of_dated_backups_the_newest_are_kept_and_other_files_stay(tmp_path: Path) -> None:
    days = [dated(tmp_path, day * 24 * 3600 * SECOND) for day in range(5)]
    others = [tmp_path / "earlybell-mine.db", tmp_path / f"{days[0].name}.part"]
    for path in (*days, *others):
        path.touch()
    assert rotate(tmp_path, 2) == days[:3]
    assert sorted(tmp_path.iterdir()) == sorted([*days[3:], *others])


def test_shards_that_share_a_folder_keep_their_backups_apart(tmp_path: Path) -> None:
    shards = [None, Shard("east", ("E*",)), Shard("east-2", ("F*",))]
    days = {shard: [dated(tmp_path, day * 24 * 3600 * SECOND, shard) for day in range(3)] for shard in shards}
    for each in days.values():
        for path in each:
            path.touch(exist_ok=False)
    for shard, each in days.items():
        assert rotate(tmp_path, 1, shard) == each[:2]


def test_a_backup_is_for_its_owner_alone_and_a_restored_store_belongs_to_whom_it_did(
    store: Store, path: Path, tmp_path: Path
) -> None:
    back_up(f"sqlite:///{path}", tmp_path / "copy")
    assert (tmp_path / "copy").stat().st_mode & 0o077 == 0
    store.close()
    if os.geteuid() == 0:
        os.chown(path, 4711, 4711)
        restore(f"sqlite:///{path}", tmp_path / "copy", force=True, now=NOW)
        assert (path.stat().st_uid, path.stat().st_gid) == (4711, 4711)


def test_a_backup_leaves_room_on_its_disk(store: Store, path: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "small", megabytes=32) as folder:
        with pytest.raises(BackupError, match=r"32 MB free.*64 must stay"):
            back_up(f"sqlite:///{path}", folder / "copy")
        assert not list(folder.iterdir())


# Where a store may lie

DISKS = """\
27 1 254:0 / / rw,relatime - ext4 /dev/vda rw
30 27 0:30 / /srv rw - nfs4 server:/srv rw
31 27 0:31 / /srv/local rw - xfs /dev/vdb rw
32 27 0:32 / /host rw,relatime shared:1 - 9p share rw
33 27 0:33 / /mnt/with\\040space rw - fuse.sshfs far: rw
34 27 0:34 / /covered rw - nfs server:/x rw
35 27 0:35 / /covered rw - tmpfs tmpfs rw
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/var/lib", "ext4"),
        ("/srv/a", "nfs4"),
        ("/srvs", "ext4"),
        ("/srv/local/a", "xfs"),
        ("/host", "9p"),
        ("/mnt/with space/a", "fuse.sshfs"),
        ("/covered/a", "tmpfs"),
    ],
)
def test_a_folder_is_on_the_file_system_of_the_mount_nearest_above_it(folder: str, kind: str) -> None:
    assert kind_of(Path(folder), DISKS) == kind


def test_a_store_on_a_network_or_shared_file_system_is_refused(tmp_path: Path) -> None:
    mounts = tmp_path / "mountinfo"
    for kind in ("nfs4", "cifs", "9p", "virtiofs", "fuse.sshfs", "fuse"):
        mounts.write_text(f"1 0 0:1 / / rw - {kind} x rw\n")
        assert unsafe(tmp_path, mounts) == kind
        with pytest.raises(StoreUnreadableError, match="breaks silently"):
            guard(tmp_path / "store.db", mounts=mounts)
    mounts.write_text("1 0 0:1 / / rw - ext4 x rw\n")
    guard(tmp_path / "store.db", mounts=mounts)
    assert unsafe(tmp_path, tmp_path / "absent") is None
