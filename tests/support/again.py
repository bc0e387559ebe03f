"""A recording replayed, and all that came of it, put into sums that can be compared."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256

import msgspec

from service.domain.lots import Placed
from service.ports import Sought
from service.store import Store
from service.usecases.export import export
from service.usecases.recording import Reader
from service.usecases.replay import Replay, play
from service.usecases.review import review
from service.usecases.tempo import FASTEST, Tempo
from tests.support.taped import notices_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """SHA-256 of what a store holds afterwards, and of the report on what it exports."""

    journal: str
    notices: str
    states: str
    stays: str
    report: str


@dataclass(frozen=True, slots=True)
class Way:
    """``speed``: times real time."""

    batch: int
    speed: float = FASTEST


WAYS = (Way(1), Way(7), Way(200), Way(1000), Way(200, 3600.0))


def replayed(lines: Sequence[bytes], store: Store, way: Way) -> Outcome:
    going = Replay(Reader().read(lines), store.ledger)
    assert going.next_at is not None
    play(going, Tempo(going.next_at, speed=way.speed, steady=time.monotonic), batch=way.batch)
    return outcome_of(store)


def outcome_of(store: Store) -> Outcome:
    journal = list(export(store.archive, "plant", since=None, until=None))
    stays = _pages(store)
    places = sorted({(each.line, each.station) for each in stays})
    runs = store.lots.runs([(*place, 0, None) for place in places])
    states = sorted(store.ledger.load().states.items())
    return Outcome(
        journal=_sum(journal),
        notices=_sum(map(msgspec.json.encode, notices_of(store))),
        states=_sum(each for key, data in states for each in (key.encode(), data)),
        stays=_sum(repr(each).encode() for each in (*stays, *runs)),
        report=_sum([msgspec.json.encode(review(journal))]),
    )


def _pages(store: Store) -> list[Placed]:
    found: list[Placed] = []
    after = None
    while page := store.lots.stays(Sought(), limit=1000, after=after):
        found += page
        after = page[-1].id
    return found


def _sum(pieces: Iterable[bytes]) -> str:
    total = sha256()
    for piece in pieces:
        total.update(len(piece).to_bytes(8, "big") + piece)
    return total.hexdigest()
