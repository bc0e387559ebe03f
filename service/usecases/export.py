"""The journal as it leaves the house: the state it starts from, then every entry, as CloudEvents lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import TypeVar

import msgspec

from service.domain.model import Instant
from service.domain.world import World
from service.ports import Archive, StoreError
from service.usecases.fold import fold, policy_of
from service.usecases.joined import Item, joined
from service.usecases.pseudonyms import Names, patterns_of
from service.usecases.recording import Seal
from service.usecases.renaming import Renaming
from service.wire.journal import Exporter, StartState

K = TypeVar("K", bound=str | tuple[str, ...])
T = TypeVar("T")


def export(
    archive: Archive,
    site: str,
    *,
    since: Instant | None,
    until: Instant | None,
    seal: Seal | None = None,
    key: bytes | None = None,
    beside: Sequence[Archive] = (),
) -> Iterator[bytes]:
    """The state as it was at ``since``, folded from the nearest checkpoint, then every entry; with a ``seal``
    a manifest ends it. With a ``key`` names are other ones; ``Unfit``: what follows would be decided
    otherwise. ``beside``: those of the site's other shards, joined with it."""
    exporter = Exporter(site if key is None else Names(key).of("site", site))
    read = partial(_of_all, (archive, *beside), since=since, until=until)
    for item in read() if key is None else _renamed(key, read):
        if isinstance(item, StartState):
            line = exporter.state(item, sealed=seal is not None)
            yield line if seal is None else seal.state(item, line)
        else:
            line = exporter.entry(*item)
            yield line if seal is None else seal.entry(item[1], line)
    if seal is not None:
        yield seal.end(exporter)


def _of_all(archives: Sequence[Archive], *, since: Instant | None, until: Instant | None) -> Iterator[Item]:
    read = [items(each, since=since, until=until) for each in archives]
    return read[0] if len(read) == 1 else joined(read)


def _renamed(key: bytes, read: Callable[[], Iterator[Item]]) -> Iterator[Item]:
    """Read twice: a name bears the tags of the patterns of all settings, also of those that come later."""
    policies, last = [], -1
    for item in read():
        if isinstance(item, StartState):
            policies.append(policy_of(item.policy))
        else:
            last = item[0]
            policies += [policy_of(item[1].data)] if item[1].kind == "settings" else []
    renaming = Renaming(Names(key, patterns_of(policies)))
    for item in read():
        if isinstance(item, StartState):
            yield renaming.start(item)
        elif item[0] <= last:
            yield item[0], renaming.entry(*item)


def items(archive: Archive, *, since: Instant | None, until: Instant | None) -> Iterator[Item]:
    """The same before it is put into lines: the state, then every entry with its number."""
    position, world, at = _before(archive, since)
    begun = False
    for number, entry in archive.journal(position=position, to=until):
        position = number if position == 0 else position  # what was forgotten without a state kept after it
        if number != position:
            raise StoreError("entries were forgotten while they were read: try again")
        if since is not None and entry.at < since:
            fold(world, entry)
            at = entry.at
        else:
            if not begun:
                begun = True
                yield start_state(world, position, at)
            yield number, entry
        position += 1
    if not begun:
        yield start_state(world, position, at)


def _before(archive: Archive, since: Instant | None) -> tuple[int, World, Instant]:
    """The nearest state kept from before ``since``; without one the beginning, where that is kept."""
    kept = archive.checkpoint(at=since - 1) if since is not None else None
    if kept is None:
        oldest = archive.checkpoint(at=None)
        first = next(archive.journal(position=0), None)
        from_nothing = first is not None and first[0] == 0 and (oldest is None or oldest[0] > 0)
        kept = None if from_nothing else oldest
    if kept is None:
        return 0, World(), 0
    position, at, states = kept
    return position, World.from_states(states), at


def start_state(world: World, position: int, at: Instant) -> StartState:
    """Everything in the order of its names, however it came to be known: a copy's export begins alike."""
    stays, memory = world.stays, world.memory
    return StartState(
        position=position,
        at=at,
        policy=msgspec.Raw(msgspec.json.encode(world.policy)),
        lines=_by_name(world.lines),
        stations=_by_name(world.stations),
        supplies=_by_name(world.supplies),
        standing=_by_name(world.standing),
        learned=_by_name(memory.learned),
        records=_by_name(memory.records),
        stays=[stays.of(place) for place in sorted(stays.packed)],
        runs=_by_name(stays.runs),
        heard=_by_name(memory.heard),
    )


def _by_name(known: Mapping[K, T]) -> list[T]:
    return [known[name] for name in sorted(known)]
