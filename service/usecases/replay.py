"""A recorded journal through the whole pipeline into an empty store: the same notices, to the last digit.

Nobody is told: a replay writes no deliveries. The settings that were in force are part of the recording.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import msgspec

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.domain.policy import Policy
from service.ports import Batch, Ledger
from service.usecases.fold import begin
from service.usecases.ingest import Ingest
from service.usecases.recording import Reader
from service.wire.journal import StartState

BATCH = 200


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay did: entries applied, notices that came of it (each change counted), first and last
    moment."""

    entries: int
    told: int
    first: Instant | None
    last: Instant | None


def replay(lines: Iterable[bytes], store: Ledger, *, batch: int = BATCH) -> Replayed:
    """Apply an export, in its order, ``batch`` entries a commit. ``Unfit``: the store isn't empty, or a line
    isn't ours (everything before it is kept)."""
    snapshot = store.load()
    if snapshot.position or snapshot.states:
        raise Unfit("the store isn't empty: replay into a new one (set store.url)")
    entries = Reader().read(lines)
    start, first = _start(entries)
    world = begin(start)
    ingest = Ingest(
        world=world,
        ledger=store,
        committed={},
        position=0,
        last_at=start.at,
        clock=lambda: start.at,
        root="",
        tell=False,
    )
    _begin(store, ingest, start)
    return _run(ingest, first, entries, batch)


def _start(entries: Iterator[StartState | JournalEntry]) -> tuple[StartState, list[JournalEntry]]:
    """The state to begin with; a recording without one begins with nothing known."""
    head = next(entries, None)
    if isinstance(head, StartState):
        return head, []
    nothing = StartState(position=0, at=0, policy=msgspec.Raw(msgspec.json.encode(Policy())))
    return nothing, [] if head is None else [head]


def _begin(store: Ledger, ingest: Ingest, start: StartState) -> None:
    """Store the state it starts from, as a checkpoint too, so that an export of the copy begins alike."""
    world = ingest.world
    world.touch_all()
    states = world.take_changes()
    ingest.committed.update({key: data for key, data in states.items() if data is not None})
    notices = [
        slot.notice
        for station in start.stations
        for slot in station.slots.values()
        if slot.notice is not None
    ] + [standing.notice for standing in start.standing if standing.notice is not None]
    store.commit(
        Batch(
            position=0,
            journal=[],
            states=states,
            notices=notices,
            deliveries=[],
            refused=[],
            remembered=world.stays.everything(),
        )
    )
    store.save_checkpoint(0, start.at, dict(ingest.committed))


def _run(
    ingest: Ingest, waiting: list[JournalEntry], entries: Iterator[StartState | JournalEntry], batch: int
) -> Replayed:
    told = 0
    first: Instant | None = None
    for entry in entries:
        if isinstance(entry, StartState):
            continue  # the reader refuses a second one
        waiting.append(entry)
        first = entry.at if first is None else first
        if len(waiting) >= batch:
            told += len(ingest.replay(waiting).told)
            waiting = []
    if waiting:
        told += len(ingest.replay(waiting).told)
    return Replayed(ingest.position, told, first, ingest.last_at if ingest.position else None)
