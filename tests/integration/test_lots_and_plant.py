"""The memory of lots against the made-up plant, which knows after which panel each slot was refilled."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.domain.stays import Edge
from service.domain.world import World
from service.ports import Sought
from service.store import Store, open_store
from service.usecases.batch import Inbound
from service.usecases.ingest import Ingest
from simulators.events import PanelMade, Refilled
from simulators.messages import Gateway, Message
from simulators.plant import Plant
from simulators.scenario import load_scenario, shipped

BEGIN = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
Place = tuple[str, str]
"""Station, slot."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path}/store.db", migrate=True)
    yield store
    store.close()


def stamp(at: float) -> str:
    return (BEGIN + timedelta(seconds=at)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def played(hours: float) -> tuple[list[Message], dict[Place, list[int]]]:
    """What the gateway says, and after which panels each slot got another supply while the line ran."""
    plant = Plant(load_scenario(shipped()["demo"]), seed=3, bell=False)
    gateway, made = Gateway("L3", run="seed-3", stamp=stamp), defaultdict[str, int](int)
    messages: list[Message] = []
    refilled: dict[Place, list[int]] = defaultdict(list)
    for _, event in plant.advance(hours * 3600):
        if isinstance(event, PanelMade):
            made[event.station] = event.panels
        elif isinstance(event, Refilled) and made[event.station]:
            refilled[event.station, event.slot].append(made[event.station])
        messages += gateway.encode(event)
    return messages, refilled


def take_in(store: Store, messages: list[Message]) -> None:
    ingest = Ingest(
        world=World(),
        ledger=store.ledger,
        committed={},
        position=0,
        last_at=0,
        clock=lambda: 0,
        root="floor",
        by_events=True,
        tell=False,
    )
    inbound = [Inbound(m.topic.encode(), m.payload, False, (1, 1)) for m in messages]
    for begin in range(0, len(inbound), 200):
        ingest.take(inbound[begin : begin + 200])


def edges(store: Store) -> dict[Place, list[Edge]]:
    found: dict[Place, list[Edge]] = defaultdict(list)
    for placed in store.lots.stays(Sought(), limit=1000):
        if placed.stay.ended is not None:
            found[placed.station, placed.slot].append(placed.stay.ended)
    return found


def test_each_refill_lies_within_the_doubt_of_its_edge(store: Store) -> None:
    messages, refilled = played(1.5)
    take_in(store, messages)
    told = edges(store)
    assert sum(map(len, refilled.values())) >= 10
    for place, panels in refilled.items():
        known = sorted(told[place], key=lambda edge: edge.used)
        assert len(known) == len(panels)
        for made, edge in zip(panels, known, strict=True):
            # The panel in work then is the next one; of a tray it is the first of the new supply.
            assert edge.early is not None
            assert edge.early <= made
            assert edge.late is None or edge.late >= made
