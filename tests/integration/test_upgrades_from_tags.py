"""Stores that earlier versions left, made by their own programs (``tests.upgrades``), go on with this one."""

from __future__ import annotations

import gzip
import json
import sqlite3
import tomllib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest
from alembic import command
from packaging.version import Version

from service.access import keys
from service.ports import StoreRevisionError
from service.store import Store, back_up, open_store, restore, upgrade
from service.store.engines import migrator, parse
from service.store.schema import configuration, head, scripts_folder
from service.usecases.recording import Reader
from service.usecases.replay import BATCH, Replay, play
from service.usecases.show import Shown
from service.usecases.tempo import FASTEST, Tempo
from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.postgres import shared_postgres
from tests.support.processes import LoadedProgram, StartProgram
from tests.support.taped import ALL, notices_of
from tests.support.wait import eventually
from tests.upgrades import RECORDED, ROOT, shift

Json = dict[str, Any]
TAGS = sorted(folder.name for folder in RECORDED.iterdir())
EACH = [(tag, kind) for tag in TAGS for kind in ("sqlite", "postgresql")]
RUN = [(tag, kind) for tag, kind in EACH if tag in (TAGS[0], TAGS[-1])]
"""On which the program is run: each start costs seconds. What it reads is read of every one."""
CLOSE = 4
"""By how many panels a forecast of a hundred and more may differ from the one of an earlier version: it has
learned to reckon better since. The books may not differ at all."""
JOINED, SURER = "F08", 2
"""A joined tape's range had been too wide before 0.7.0."""


class Left:
    """What one version left, put where this one finds it."""

    def __init__(self, tag: str, kind: str, folder: Path) -> None:
        self._recorded = RECORDED / tag
        self.kind = kind
        self.shown: Json = json.loads(self._read("shown.json.gz"))
        self.events = self._read("events.jsonl.gz").splitlines(keepends=True)
        self.drop: Callable[[], object] = lambda: None
        if kind == "sqlite":
            self.file = folder / "store.db"
            self.file.write_bytes(self._read("store.db.gz"))
            self.url = f"sqlite:///{self.file}"
        else:
            server = shared_postgres()
            name = server.create()
            with server.connect(name) as connection:
                connection.execute(self._read("store.sql.gz"))
            self.url, self.drop = server.url(name), lambda: server.drop(name)

    def _read(self, name: str) -> bytes:
        return gzip.decompress((self._recorded / name).read_bytes())

    @property
    def revision(self) -> str:
        with migrator(parse(self.url)).connect() as connection:
            return str(connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one())


@pytest.fixture(params=EACH, ids="-".join)
def left(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Left]:
    tag, kind = request.param
    left = Left(tag, kind, tmp_path)
    yield left
    left.drop()


class Now:
    """This version on that store, with a broker of its own."""

    def __init__(self, left: Left, broker: Mosquitto, start_program: StartProgram) -> None:
        self.url = f"http://127.0.0.1:{(port := free_port())}"
        config = shift.CONFIG.format(broker=broker.url, store=left.url, web=port)
        self.program: LoadedProgram = start_program("run", config=config)  # type: ignore[assignment]
        self.program.wait_ready(self.url)
        secret = left.shown["tokens"].get(left.kind)
        self.headers = {"Authorization": f"Bearer {secret}"} if secret else {}

    def get(self, path: str) -> Any:
        answer = httpx.get(f"{self.url}/api/v1{path}", headers=self.headers, trust_env=False)
        return answer.raise_for_status().json()

    def slot(self, station: str, slot: str) -> Json:
        found = (
            each for each in self.get("/lines/L3/slots") if (each["station"], each["slot"]) == (station, slot)
        )
        return next(found)


def test_the_version_of_this_program_comes_after_all_that_left_stores() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert Version(project["version"]) >= max(map(Version, TAGS))


@pytest.mark.parametrize("left", RUN, ids="-".join, indirect=True)
def test_it_migrates_goes_on_where_it_was_and_counts_from_there(
    left: Left, broker: Mosquitto, start_program: StartProgram
) -> None:
    before = left.revision
    upgraded = upgrade(left.url)
    assert (upgraded.before, upgraded.after) == (before, head())
    now = Now(left, broker, start_program)

    every = "&".join(f"state={state}" for state in ALL)
    as_before(left, now.get("/lines/L3/slots"), now.get(f"/notices?{every}"), now.get("/refused"))
    if now.headers:
        stranger = httpx.get(f"{now.url}/api/v1/lines", trust_env=False)
        assert stranger.status_code == httpx.codes.UNAUTHORIZED

    gateway, panel = Gateway(broker.port), shift.PANELS + 3
    for topic, body in shift.panels(shift.PANELS + 1, panel):
        gateway.send(topic, **body)
    eventually(lambda: now.slot("P1", "F07")["counted"]["seq"] == panel + 1)
    found = {name: now.slot("P1", name)["remaining"]["book"] for name in shift.SLOTS}
    assert found == {name: shift.left(name, panel) for name in shift.SLOTS}
    refill: Json = {
        "id": "after",
        "slot": "T2",
        "change": "loaded",
        "kind": "tray",
        "quantity": 160,
        "at": shift.at(64.5),
    }
    gateway.send("L3/P1/supply", **refill)
    eventually(lambda: now.get("/notices?state=taken") == [])
    gateway.close()


def test_what_it_kept_is_there_afterwards_and_its_schema_is_the_one_of_a_fresh_store(left: Left) -> None:
    upgrade(left.url)
    store = open_store(left.url, migrate=False)
    stored_as_before(left, store)
    secret = left.shown["tokens"].get(left.kind)
    assert [each.name for each in store.keyring.tokens()] == (["night shift"] if secret else [])
    assert secret is None or store.keyring.token(keys.digest(secret)) is not None
    store.close()
    with migrator(parse(left.url)).connect() as connection:
        command.check(configuration(scripts_folder(), connection))


@pytest.mark.parametrize("tag", TAGS)
def test_its_export_replays_to_what_it_showed(tag: str, tmp_path: Path) -> None:
    left = Left(tag, "sqlite", tmp_path)
    store = open_store(f"sqlite:///{tmp_path / 'replayed.db'}", migrate=True)
    going = Replay(Reader().read(left.events), store.ledger)
    assert going.next_at is not None
    play(going, Tempo(going.next_at, speed=FASTEST, steady=lambda: 0.0), batch=BATCH)
    notices = notices_of(store)
    store.close()
    then = {(each["id"], each["slot"], each["level"], each["state"]) for each in left.shown["notices"]}
    assert {(each.id, each.slot, each.level, each.state) for each in notices} == then


@pytest.mark.parametrize("tag", TAGS)
def test_a_backup_made_before_the_upgrade_brings_the_earlier_schema_back_and_can_be_upgraded_again(
    tag: str, tmp_path: Path
) -> None:
    left = Left(tag, "sqlite", tmp_path)
    before, kept = left.revision, tmp_path / "before.db"
    back_up(left.url, kept)
    upgrade(left.url)
    assert left.revision == head()
    done = restore(left.url, kept, force=True, now=0)
    assert (done.revision, left.revision) == (before, before)
    assert done.replaced is not None
    assert done.replaced.exists(), "the upgraded store isn't thrown away"
    if before != head():
        with pytest.raises(StoreRevisionError, match="older schema revision"):
            open_store(left.url, migrate=False)
    assert upgrade(left.url).after == head()
    with closing(sqlite3.connect(left.file)) as connection:
        assert connection.execute("SELECT count(*) FROM notice").fetchone() == (2,)


@pytest.mark.parametrize("tag", TAGS)
def test_a_file_of_it_goes_into_a_database_of_this_version(tag: str, tmp_path: Path) -> None:
    left, server = Left(tag, "sqlite", tmp_path), shared_postgres()
    name = server.create()
    try:
        upgrade(server.url(name))
        assert restore(server.url(name), left.file, force=True, now=0).revision == head()
        store = open_store(server.url(name), migrate=False)
        stored_as_before(left, store)
        store.close()
    finally:
        server.drop(name)


def stored_as_before(left: Left, store: Store) -> None:
    shown = Shown(
        committed=store.ledger.load().states, archive=store.archive, site="Hollerbach", reasons=list
    )
    notices = shown.notices(states=ALL, limit=100, after=None)
    as_before(left, shown.slots("L3") or [], notices, shown.refused(limit=100, after=None))


def as_before(left: Left, slots: list[Json], notices: list[Json], refused: list[Json]) -> None:
    """They are what the version that left them showed."""
    assert [books(each) for each in slots] == [books(each) for each in left.shown["slots"]]
    for then, here in zip(left.shown["slots"], slots, strict=True):
        close = CLOSE + (SURER if here["slot"] == JOINED else 0)
        assert panels_of(here) == pytest.approx(panels_of(then), abs=close)
    assert supplies(notices) == supplies(left.shown["notices"])
    assert [each["topic"] for each in refused] == ["floor/L3/P1/count"]


def books(slot: Json) -> Json:
    """What is known for sure of a slot, whoever reckons."""
    same = (
        "station",
        "slot",
        "kind",
        "part",
        "lot",
        "counted",
        "state",
        "usage_per_panel",
        "assumed",
        "lead_panels",
    )
    remaining = slot["remaining"]
    return {key: slot.get(key) for key in same} | {"book": remaining and remaining["book"]}


def panels_of(slot: Json) -> list[int]:
    numbers = slot["panels_to_empty"] or {}
    return [numbers[each] for each in ("p05", "p50", "p95") if each in numbers]


def supplies(notices: list[Json]) -> list[Json]:
    """Not those about outlets: nobody listens at this one, which is said in its own time."""
    same = ("id", "slot", "level", "state", "opened_at", "taken_by", "closed_because")
    return [{key: each.get(key) for key in same} for each in notices if each["kind"] == "supply"]
