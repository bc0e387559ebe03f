"""The handover that the reading side gives, from what the floor said and what was stored of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.domain.events import PersonAct
from service.domain.model import SECOND, from_datetime
from service.domain.policy import Policy, Shift
from service.domain.world import World
from service.store import Store, open_store
from service.usecases.batch import Ask, Inbound
from service.usecases.ingest import Ingest
from service.usecases.show import Shown
from service.web.handover import HandoverView
from service.wire.native import Address

BEGIN = datetime(2026, 3, 2, 6, 10, tzinfo=UTC)
POLICY = Policy(shifts=(Shift(start="06:00", end="14:00", line="L1"),))


class Plant:
    """Two lines; a panel takes a part from F1 of each and twenty seconds."""

    def __init__(self, store: Store) -> None:
        self.at = BEGIN
        self.archive = store.archive
        self.ingest = Ingest(
            world=World(),
            ledger=store.ledger,
            committed={},
            position=0,
            last_at=0,
            clock=lambda: from_datetime(BEGIN),
            root="floor",
            by_events=True,
        )
        self.ingest.adopt_policy(POLICY)

    def said(self, topic: str, **body: Any) -> Inbound:
        payload = json.dumps(body | {"at": self.at.isoformat()}).encode()
        return Inbound(f"floor/{topic}".encode(), payload, False, (1, 1))

    def load(self, line: str, quantity: int) -> None:
        supply = {"slot": "F1", "change": "loaded", "kind": "tray", "part": "MCU", "quantity": quantity}
        self.ingest.take([self.said(f"{line}/P1/supply", **supply)])

    def run(self, panels: int) -> None:
        counts = []
        for total in range(1, panels + 1):
            self.at += timedelta(seconds=20)
            count = {
                "session": "a",
                "seq": total,
                "panels": total,
                "slots": {"F1": {"placed": total, "lost": 0}},
            }
            counts += [self.said(f"{line}/P1/count", **count) for line in ("L1", "L2")]
        self.ingest.take(counts)

    def take(self, by: str) -> None:
        [notice] = self.archive.notices(states=["open"], limit=10, after=None)
        act = PersonAct(notice=notice.id, action="take", by=by)
        place = Address("person", notice.line or "", notice.station, notice.slot)
        self.ingest.take([Ask(place, act, msgspec.json.encode(act), Future())])

    def handover(self, line: str | None, *, hours: float = 1.0, later: float | None = None) -> Any:
        now = from_datetime(self.at) + round((later or 0) * SECOND)
        clock = None if later is None else lambda: now
        shown = Shown(
            committed=self.ingest.committed, archive=self.archive, site="Tarn", reasons=list, clock=clock
        )
        found = shown.handover(line=line, hours=hours)
        return None if found is None else json.loads(msgspec.json.encode(found))


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    store = open_store(f"sqlite:///{tmp_path}/earlybell.db", migrate=True)
    plant = Plant(store)
    plant.load("L1", 20)
    plant.load("L2", 4000)
    plant.run(12)  # of which the first only says where the count stands
    yield plant
    store.close()


def test_what_somebody_took_is_handed_over_with_its_numbers(plant: Plant) -> None:
    plant.take("Ines")
    found = plant.handover("L1")
    [taken] = found["taken"]
    assert (taken["slot"], taken["taken_by"], taken["panels_to_empty"]["p50"]) == ("F1", "Ines", 9)
    assert [each["line"] for each in found["next"]] == ["L1"]
    assert found["bring"][0]["part"] == "MCU"
    HandoverView.model_validate(found)


def test_a_line_hands_over_its_own_and_all_lines_everything(plant: Plant) -> None:
    assert plant.handover("L2")["open"] == []
    assert len(plant.handover(None)["open"]) == 1
    assert plant.handover("L3") is None


def test_without_a_clock_it_is_as_late_as_the_newest_count(plant: Plant) -> None:
    assert plant.handover("L1")["at"] == "2026-03-02T06:14:00.000Z"
    assert plant.handover("L1", later=60)["at"] == "2026-03-02T06:15:00.000Z"


def test_at_its_beginning_a_shift_is_not_handed_over_yet(plant: Plant) -> None:
    early = plant.handover("L1")
    assert (early["since"], early["shift_ends"]) == ("2026-03-01T22:14:00.000Z", None)
    later = plant.handover("L1", later=1200)
    assert (later["since"], later["shift_ends"]) == ("2026-03-02T06:00:00.000Z", "2026-03-02T14:00:00.000Z")
    assert plant.handover("L2", later=1200)["shift_ends"] is None


def test_what_was_refilled_in_time_and_what_was_not_is_told(plant: Plant) -> None:
    plant.load("L1", 40)
    assert plant.handover("L1")["happened"]["ended"] == {"refilled": 1}
    assert plant.handover("L1")["happened"]["reached_empty"] == []
    assert plant.handover("L2")["happened"]["ended"] == {}
