"""How the one in charge begins: with the world as it was committed and the settings of today in force."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import msgspec

from service import outside, runtime
from service.domain.model import Instant
from service.domain.shards import Division
from service.domain.state import place_of
from service.domain.world import World
from service.settings import Settings
from service.store import Store
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.usecases.ours import Ours


def wake_up(
    store: Store,
    *,
    committed: dict[str, bytes],
    settings: Settings,
    clock: Callable[[], Instant],
    division: Division | None = None,
) -> Ingest:
    """``committed``, which readers see, becomes what the store holds. ``division``: how the floor is divided,
    where it is."""
    root = settings.mqtt.floor_root
    snapshot = store.ledger.load()
    for key in committed.keys() - snapshot.states.keys():
        del committed[key]
    committed.update(snapshot.states)
    with runtime.loading():
        world = World.from_states(committed)
    ingest = Ingest(
        world=world,
        ledger=store.ledger,
        committed=committed,
        position=snapshot.position,
        last_at=snapshot.at,
        clock=clock,
        root=root,
        by_events=settings.site.clock == "events",
        sources=Gateways(outside.translators(settings), committed),
        ours=None if division is None else Ours(division, root),
    )
    ingest.adopt_policy(settings.policy())
    return ingest


class _Head(msgspec.Struct, array_like=True):
    """How the state of a station begins."""

    line: str
    station: str
    slots: dict[str, msgspec.Raw] = {}


_head = msgspec.msgpack.Decoder(_Head)


def slots_known(committed: Mapping[str, bytes]) -> int:
    """How many slots are known, without making a world of them."""
    return sum(len(_head.decode(data).slots) for key, data in committed.items() if place_of(key) is not None)
