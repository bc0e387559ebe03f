"""What somebody ticked survives a restart, comes back from an export, and is answered once it is stored."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.desk import Unfit
from service.domain.model import from_datetime
from service.domain.world import World
from service.store import Store, open_store
from service.usecases.batch import Ask, Inbound
from service.usecases.desk import AskingDesk
from service.usecases.ingest import Ingest
from service.usecases.replay import replay
from service.usecases.show import Shown

NOW = from_datetime(datetime(2026, 3, 2, 6, 10, tzinfo=UTC))
TICK: dict[str, Any] = {"part": "MCU-48Q", "kind": "tray", "by": "Ines"}


class Plant:
    """One line whose T1 is fed with trays; what is asked is done at once."""

    def __init__(self, store: Store) -> None:
        self.store = store
        kept = store.ledger.load()
        self.ingest = Ingest(
            world=World.from_states(kept.states),
            ledger=store.ledger,
            committed=dict(kept.states),
            position=kept.position,
            last_at=kept.at,
            clock=lambda: NOW,
            root="floor",
        )
        shown = Shown(committed=self.ingest.committed, archive=store.archive, site="Tarn", reasons=list)
        self.shown = shown
        self.desk = AskingDesk(put=self.put, shown=shown)

    def put(self, ask: Ask) -> None:
        self.ingest.take([ask])

    def say(self, topic: str, **body: Any) -> None:
        self.ingest.take([Inbound(f"floor/{topic}".encode(), json.dumps(body).encode(), False, (1, 1))])

    def load(self) -> None:
        self.say("L1/P1/supply", slot="T1", change="loaded", kind="tray", part="MCU-48Q", quantity=40)

    def ready(self) -> dict[str, object]:
        return self.shown.ready("L1", "MCU-48Q", "tray")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path}/earlybell.db", migrate=True)
    yield store
    store.close()


@pytest.fixture
def plant(store: Store) -> Plant:
    plant = Plant(store)
    plant.load()
    return plant


def test_a_tick_is_answered_with_what_is_stored(plant: Plant) -> None:
    answer = plant.desk.readied("L1", **TICK, supplies=2)
    assert answer == plant.ready()
    assert answer["ready"] == 2
    assert answer["ticked"] == {"by": "Ines", "at": "2026-03-02T06:10:00.000Z"}


def test_the_same_tick_twice_is_one_entry_of_the_journal(plant: Plant) -> None:
    before = plant.ingest.position
    for _ in range(2):
        plant.desk.readied("L1", **TICK, supplies=2)
    assert plant.ingest.position == before + 1


def test_a_restart_knows_what_stood_ready_and_what_was_loaded_since(plant: Plant) -> None:
    plant.desk.readied("L1", **TICK, supplies=2)
    plant.load()
    again = Plant(plant.store)
    assert again.ready()["ready"] == 1
    again.load()
    assert again.ready()["ready"] == 0


def test_a_replay_of_the_journal_finds_the_same(plant: Plant, tmp_path: Path) -> None:
    plant.desk.readied("L1", **TICK, supplies=3)
    plant.load()
    other = open_store(f"sqlite:///{tmp_path}/other.db", migrate=True)
    replay(plant.shown.events(since=None, until=None), other.ledger)
    assert Plant(other).ready() == plant.ready()
    assert plant.ready()["ready"] == 2
    other.close()


def test_a_line_nobody_heard_of_and_what_does_not_fit_change_nothing(plant: Plant) -> None:
    before = plant.ingest.position
    with pytest.raises(KeyError):
        plant.desk.readied("L9", **TICK, supplies=1)
    with pytest.raises(Unfit, match="supplies"):
        plant.desk.readied("L1", **TICK, supplies=-1)
    assert plant.ingest.position == before
    assert "L9" not in plant.ingest.world.lines


def test_the_list_of_a_line_goes_by_its_stored_state(plant: Plant) -> None:
    plant.desk.readied("L1", **TICK, supplies=2)
    found = plant.shown.fetch("L1", until=None, hours=None)
    assert found is not None
    assert found["parts"] == [
        {
            "part": "MCU-48Q", "kind": "tray", "supplies": 0, "at_least": False, "ready": 2, "missing": 0,
            "by": None, "ticked": plant.ready()["ticked"], "for": [],
        }
    ]  # fmt: skip
    assert plant.shown.fetch("L9", until=None, hours=None) is None
