"""The journals of several shards as one, for whoever looks at all of a site: the states they start from, then
every entry in order of its moment.

What one shard told another is left out, as whoever hears both needs no telling, and so are all settings but
the first shard's, which are those of the site."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TypeVar

from msgspec.structs import replace

from service.domain.events import JournalEntry
from service.domain.history import Learned, law_key, summed
from service.domain.state import SupplyState
from service.wire.journal import StartState

T = TypeVar("T")
Item = StartState | tuple[int, JournalEntry]
WORD = "elsewhere"
"""The kind of an entry that another shard told."""


def joined(journals: Sequence[Iterator[Item]]) -> Iterator[Item]:
    """Each of ``journals`` begins with its state. Numbers are counted anew; a moment that two have is put off
    by a microsecond, so that each is later than the one before."""
    starts = [each for journal in journals if isinstance(each := next(journal), StartState)]
    start = together(starts)
    yield start
    number, at = start.position, start.at
    for entry in heapq.merge(*map(_told_here, journals, range(len(journals))), key=lambda entry: entry.at):
        at = max(at + 1, entry.at)
        yield number, entry if entry.at == at else replace(entry, at=at)
        number += 1


def _told_here(journal: Iterator[Item], rank: int) -> Iterator[JournalEntry]:
    for item in journal:
        if isinstance(item, tuple) and item[1].kind != WORD and (rank == 0 or item[1].kind != "settings"):
            yield item[1]


def together(starts: Sequence[StartState]) -> StartState:
    """One state of several; what each has of its own accord of the same thing by who knows most of it."""
    return StartState(
        position=sum(each.position for each in starts),
        at=max(each.at for each in starts),
        policy=starts[0].policy,
        lines=sorted((line for each in starts for line in each.lines), key=lambda line: line.line),
        stations=sorted(
            (station for each in starts for station in each.stations),
            key=lambda station: (station.line, station.station),
        ),
        supplies=_of_one(starts, lambda start: start.supplies, _name, _is_known_there),
        standing=[standing for each in starts for standing in each.standing],
        learned=_of_one(starts, lambda start: start.learned, _law, lambda learned: learned.finished),
        records=summed(record for each in starts for record in each.records),
        stays=sorted(
            (stays for each in starts for stays in each.stays),
            key=lambda stays: (stays.line, stays.station, stays.slot),
        ),
        runs=sorted((run for each in starts for run in each.runs), key=lambda run: (run.line, run.station)),
    )


def _name(supply: SupplyState) -> str:
    return supply.name


def _is_known_there(supply: SupplyState) -> bool:
    """By that shard itself, not by what another told it."""
    return supply.shard is None


def _law(learned: Learned) -> str:
    return law_key(learned.kind, learned.part)


def _of_one(
    starts: Iterable[StartState],
    of: Callable[[StartState], Sequence[T]],
    name: Callable[[T], str],
    knows: Callable[[T], int],
) -> list[T]:
    """Of those of one name the one that ``knows`` most, the first of equals; in order of their names."""
    found: dict[str, T] = {}
    for each in (each for start in starts for each in of(start)):
        known = found.get(name(each))
        if known is None or knows(each) > knows(known):
            found[name(each)] = each
    return [found[name] for name in sorted(found)]
