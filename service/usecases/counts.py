"""What each count of a station added, from its state before and after: the rows of a ``StationTrack``.

The state is right about sessions, resets, repeats and first contact, so nothing of that is decided here. A
late total, which adds nothing, says when a part of what a later one added was done.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from dataclasses import dataclass, field
from operator import attrgetter

from service.domain.events import CountMessage
from service.domain.model import Instant
from service.domain.state import SlotState, StationState
from service.domain.track import Counted, Used

_AT = attrgetter("at")


@dataclass(frozen=True, slots=True)
class Given:
    """Parts that a slot ever gave, the totals it is counted from, and what its books say."""

    used: int = 0
    placed: int | None = None
    lost: int | None = None
    book: int | None = None


@dataclass(frozen=True, slots=True)
class Before:
    progress: int
    slots: dict[str, Given]


@dataclass(slots=True)
class _Row:
    """``panels`` and ``used`` are what it added; ``total`` and ``totals`` what its message said of a whole
    session."""

    at: Instant
    panels: int
    used: dict[str, Used]
    session: str | None = None
    total: int | None = None
    totals: dict[str, tuple[int, int | None]] = field(default_factory=dict)


@dataclass(slots=True)
class Rows:
    """In the order in which they happened."""

    rows: list[_Row] = field(default_factory=list)

    def add(self, before: Before, station: StationState, message: CountMessage, at: Instant) -> None:
        """What the message added to the station, which knows of it by now."""
        row = _Row(at, station.progress - before.progress, _used(before, station, message), message.session)
        if message.counts == "total" and message.mode == "production":
            row.total = message.panels
            row.totals = {name: (each.placed, each.lost) for name, each in message.slots.items()}
        late = message.seq is not None and message.seq != station.seq
        if late and message.counts == "total":
            self._split(row)
        insort(self.rows, row, key=_AT)

    def _split(self, late: _Row) -> None:
        """A part of what was counted later had been done by then."""
        names, panels = set(late.totals), late.total
        for row in self.rows[bisect_right(self.rows, late.at, key=_AT) :]:
            if row.session != late.session:
                return
            if panels is not None and row.total is not None:
                late.panels = min(max(0, panels - (row.total - row.panels)), row.panels)
                row.panels -= late.panels
                panels = None
            for name in names & row.totals.keys():
                late.used[name], row.used[name] = _parts(late.totals[name], row.totals[name], row.used[name])
                names.discard(name)
            if not names and panels is None:
                return

    def counted(self, progress: int) -> list[Counted]:
        """With panels counted on from ``progress``."""
        counted = []
        for row in self.rows:
            progress += row.panels
            counted.append(Counted(at=row.at, panels=progress, used=row.used))
        return counted


def look(station: StationState | None, message: CountMessage) -> Before:
    """What is to be kept of a station before a count changes it."""
    if station is None:
        return Before(0, {})
    slots = station.slots
    return Before(station.progress, {name: _given(slots[name]) for name in message.slots if name in slots})


def _given(slot: SlotState) -> Given:
    return Given(slot.used + slot.before, slot.base_placed, slot.base_lost, slot.book)


def _used(before: Before, station: StationState, message: CountMessage) -> dict[str, Used]:
    used = {}
    for name, count in message.slots.items():
        given, slot = before.slots.get(name, Given()), station.slots[name]
        gone = slot.used + slot.before - given.used
        lost = count.lost
        if lost is not None and message.counts == "total":
            lost = _lost(gone, count.placed, lost, given)
        if not gone:
            lost = None if count.lost is None else 0
        used[name] = Used(placed=gone - (lost or 0), lost=lost)
    return used


def _lost(gone: int, placed: int, lost: int, given: Given) -> int | None:
    """How many of the parts that are gone were lost: as its totals grew since the message before or, after a
    restart, since zero; ``None``: what was lost before isn't known."""
    onward = None if given.placed is None else placed - given.placed
    since = None if given.lost is None else max(0, lost - given.lost)
    for first, second in ((onward, since), (placed, lost), (onward, lost)):
        if first is not None and second is not None and first + second == gone:
            return second
    return None


def _parts(early: tuple[int, int | None], late: tuple[int, int | None], used: Used) -> tuple[Used, Used]:
    """What was used, divided at a moment at which the totals were ``early``."""
    placed = min(max(0, early[0] - (late[0] - used.placed)), used.placed)
    if early[1] is None or late[1] is None or used.lost is None:
        return Used(placed=placed, lost=None), Used(placed=used.placed - placed, lost=used.lost)
    lost = min(max(0, early[1] - (late[1] - used.lost)), used.lost)
    return Used(placed=placed, lost=lost), Used(placed=used.placed - placed, lost=used.lost - lost)
