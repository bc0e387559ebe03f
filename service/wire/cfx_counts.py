"""Parts and panels of IPC-2591 (CFX) stations as totals of our own.

A part is told of twice where a station says both what it consumed and what it installed. It counts once: by
what is consumed as soon as a station says so, less what was counted as installed before.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import msgspec

from service.domain.model import to_rfc3339
from service.wire.cfx_read import Used
from service.wire.cfx_slots import Slot, note_installed, use, without_installed
from service.wire.cfx_stations import Station
from service.wire.cfx_turn import Turn
from service.wire.gateway import Memory
from service.wire.gathered import PANELS, Count, Gathered, hear_counts

Consumption = Literal["consumed", "installed"]


class Counted(msgspec.Struct, array_like=True):
    """Of one station. ``consumed``: it says what it consumes."""

    gathered: Gathered = msgspec.field(default_factory=Gathered)
    consumed: bool = False


class Counts:
    """What the broker kept counts nothing: it didn't just happen.

    ``consumption``: by which messages parts count; ``None``: by what is consumed once a station said any,
    by what is installed until then."""

    def __init__(
        self, source: str, consumption: Consumption | None, counted: Memory[Counted], slots: Memory[Slot]
    ) -> None:
        self._source = source
        self._consumption = consumption
        self._counted = counted
        self._slots = slots

    def consume(self, turn: Turn, station: Station, used: Iterable[Used]) -> None:
        if self._consumption != "installed":
            self._counted.of(station.key).consumed = True
            self._take(turn, station, used)

    def install(self, turn: Turn, station: Station, used: Iterable[Used]) -> None:
        known = self._counted.seen(station.key)
        by = self._consumption or ("consumed" if known is not None and known.consumed else "installed")
        if by == "installed":
            self._take(turn, station, used, installed=True)

    def resync(self, turn: Turn, station: Station, held: Iterable[Used]) -> None:
        """What is left in slots, without anything having been used now."""
        self._take(turn, station, [each for each in held if each.left is not None])

    def panel(self, turn: Turn, station: Station) -> None:
        """One more is complete, on whichever lane."""
        if not turn.retained:
            self._say(turn, station, [Count("", PANELS, 1, None, delta=True)])

    def _take(self, turn: Turn, station: Station, used: Iterable[Used], *, installed: bool = False) -> None:
        if turn.retained:
            return
        counts: list[Count] = []
        for each in used:
            slot = self._slots.of(station.at(each.place))
            added = use(slot, each, turn.when)
            if added is None or added == (0, None):
                continue
            if not installed:
                added = without_installed(slot, *added)
            elif self._consumption is None:
                note_installed(slot, each, turn.when)
            counts += _counts(each, *added)
        self._say(turn, station, counts)

    def _say(self, turn: Turn, station: Station, counts: list[Count]) -> None:
        if not counts:
            return
        piece = self._counted.of(station.key).gathered
        piece.session = piece.session or f"{self._source}@{to_rfc3339(turn.now)}"
        for said in hear_counts(piece, counts):
            turn.say(said.kind, station, said.body)


def _counts(used: Used, placed: int, lost: int | None) -> list[Count]:
    slot = used.place.slot or ""
    counts = [Count(slot, "placed", placed, None, delta=True)]
    return counts if lost is None else [*counts, Count(slot, "lost", lost, None, delta=True)]
