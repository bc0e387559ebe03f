"""A copy of the store to keep, taken while others write, and put back without telling anyone twice."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store import BackupError, Store, StoreUnreadableError, back_up, open_store, restore
from service.store.disk import kind_of, unsafe
from service.store.files import guard
from service.store.schema import head
from tests.contract.builders import batch, delivery, entries

NOW = 1_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{path}", migrate=True)
    yield store
    store.close()


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


def test_for_postgresql_the_commands_are_told_without_the_password(tmp_path: Path) -> None:
    url = "postgresql+psycopg://bell:s3cret@db:5433/plant"
    for act in (
        lambda: back_up(url, tmp_path / "copy"),
        lambda: restore(url, tmp_path / "copy", force=True, now=NOW),
    ):
        with pytest.raises(
            BackupError, match=r"pg_(dump|restore) .*postgresql://bell@db:5433/plant"
        ) as caught:
            act()
        assert "s3cret" not in str(caught.value)
    assert "UPDATE outbox" in str(caught.value)


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
