"""The journal as it leaves the house: the state it starts from, then every entry, as CloudEvents lines."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec

from service.domain.model import Instant
from service.domain.world import World
from service.ports import Archive
from service.usecases.fold import fold
from service.wire.journal import Exporter, StartState


def export(archive: Archive, site: str, *, since: Instant | None, until: Instant | None) -> Iterator[bytes]:
    """The state as it was at ``since``, folded from the nearest checkpoint, then every entry."""
    exporter = Exporter(site)
    position, world, at = _before(archive, since)
    begun = False
    for number, entry in archive.journal(position=position, to=until):
        if since is not None and entry.at < since:
            fold(world, entry)
            position, at = number + 1, entry.at
            continue
        if not begun:
            begun = True
            yield exporter.state(_start_state(world, position, at))
        yield exporter.entry(number, entry)
    if not begun:
        yield exporter.state(_start_state(world, position, at))


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
