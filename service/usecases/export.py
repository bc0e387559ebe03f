"""The journal as it leaves the house: the state it starts from, then every entry, as CloudEvents lines."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.domain.world import World
from service.ports import Archive
from service.usecases.fold import fold
from service.usecases.recording import Seal
from service.wire.journal import Exporter, StartState

Item = StartState | tuple[int, JournalEntry]


def export(
    archive: Archive,
    site: str,
    *,
    since: Instant | None,
    until: Instant | None,
    seal: Seal | None = None,
) -> Iterator[bytes]:
    """The state as it was at ``since``, folded from the nearest checkpoint, then every entry; with a ``seal``
    a manifest ends it."""
    exporter = Exporter(site)
    for item in items(archive, since=since, until=until):
        if isinstance(item, StartState):
            line = exporter.state(item, sealed=seal is not None)
            yield line if seal is None else seal.state(item, line)
        else:
            line = exporter.entry(*item)
            yield line if seal is None else seal.entry(item[1], line)
    if seal is not None:
        yield seal.end(exporter)


def items(archive: Archive, *, since: Instant | None, until: Instant | None) -> Iterator[Item]:
    """The same before it is put into lines: the state, then every entry with its number."""
    position, world, at = _before(archive, since)
    begun = False
    for number, entry in archive.journal(position=position, to=until):
        if since is not None and entry.at < since:
            fold(world, entry)
            position, at = number + 1, entry.at
            continue
        if not begun:
            begun = True
            yield _start_state(world, position, at)
        yield number, entry
    if not begun:
        yield _start_state(world, position, at)


def _before(archive: Archive, since: Instant | None) -> tuple[int, World, Instant]:
    """The nearest state kept from before ``since``; without one the beginning, where that is kept."""
    kept = archive.checkpoint(at=since) if since is not None else None
    if kept is None:
        oldest = archive.checkpoint(at=None)
        first = next(archive.journal(position=0), None)
        from_nothing = first is not None and first[0] == 0 and (oldest is None or oldest[0] > 0)
        kept = None if from_nothing else oldest
    if kept is None:
        return 0, World(), 0
    position, at, states = kept
    return position, World.from_states(states), at


def _start_state(world: World, position: int, at: Instant) -> StartState:
    return StartState(
        position=position,
        at=at,
        policy=msgspec.Raw(msgspec.json.encode(world.policy)),
        lines=list(world.lines.values()),
        stations=list(world.stations.values()),
        supplies=list(world.supplies.values()),
        standing=list(world.standing.values()),
        learned=list(world.memory.learned.values()),
        records=list(world.memory.records.values()),
        stays=list(world.stays.slots.values()),
        runs=list(world.stays.runs.values()),
    )
