"""Asks gateways to send again what is missing: holes in ``seq`` that stay open.

A hole gets a moment, because messages may overtake one another; then it is asked for a few times with growing
pauses and given up. What came before the first number ever heard of a station was never missing. Ages are
forgotten when we start anew, so a hole left by an earlier life is asked for again."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import msgspec

from service.domain.events import Count
from service.domain.model import SECOND
from service.domain.state import StationState

PAUSES = (2.0, 5.0, 15.0, 60.0, 300.0)
"""Seconds before each asking. A gateway that could answer has done so within minutes."""

ASKED_FOR = round(sum(PAUSES)) * SECOND

Hole = tuple[str, str, str, str | None, int, int]
Publish = Callable[[list[tuple[str, bytes, bool]]], None]
Reply = Callable[[str, list[tuple[str, bytes, bool]]], None]
"""With the name of a source: to its gateways alone."""
_encode = msgspec.json.Encoder().encode


class Received(msgspec.Struct, frozen=True):
    """Up to this number a gateway may forget its counts: they are safely stored. ``session`` null: it names
    none."""

    session: str | None
    seq: Count


class Wanted(msgspec.Struct, frozen=True):
    """The numbers of counts that are missing, both ends included."""

    session: str | None
    first: Count = msgspec.field(name="from")
    to: Count


@dataclass(frozen=True, slots=True)
class Asked:
    """One asking, for log and metrics; ``last``: it is given up after this one."""

    line: str
    station: str
    session: str | None
    first: int
    to: int
    times: int
    last: bool


def safe_to_forget(station: StationState) -> int | None:
    """The number up to which a gateway may forget its counts: the last that is stored, but nothing behind a
    hole that matters (differences don't come again) while it is still asked for. ``None``: none yet."""
    last, since = station.counted_seq, station.uncertain_since
    if last is None or since is None or not station.holes or station.counted_session != station.session:
        return last
    if (station.counted_at or since) - since > ASKED_FOR:
        return last
    before = min(first for first, _ in station.holes) - 1
    return min(last, before) if before >= 0 else None


class Resend:
    """``look`` about once a second, in the thread that owns the stations."""

    def __init__(
        self,
        *,
        publish: Publish,
        root: str,
        report: Callable[[Asked], None],
        reply: Reply = lambda source, messages: None,
        reaches: Callable[[str], bool] = lambda source: True,
    ) -> None:
        """``reply`` gets what is asked for too, with the source that counts the station; ``reaches``: whether
        the gateways of that source would hear it now."""
        self._publish = publish
        self._reply = reply
        self._reaches = reaches
        self._root = root
        self._report = report
        self._known: dict[Hole, tuple[int, float]] = {}
        """How often each was asked for, and when it is due next."""

    def look(self, stations: Iterable[StationState], now: float, *, connected: bool) -> None:
        """Ask for what is due, while the floor is heard; ``now`` in seconds of a steady clock."""
        holes = [
            (station.source.name, station.line, station.station, station.session, first, to)
            for station in stations
            if station.holes
            for first, to in station.holes
        ]
        self._known = {hole: self._known.get(hole, (0, now + PAUSES[0])) for hole in holes}
        if connected:
            for hole, (times, due) in self._known.items():
                if times < len(PAUSES) and now >= due and self._reaches(hole[0]):
                    self._ask(hole, times + 1, now)

    def forget(self) -> None:
        """What was asked for before counts no more: the broker lost what it kept for us."""
        self._known = {}

    def _ask(self, hole: Hole, times: int, now: float) -> None:
        source, line, station, session, first, to = hole
        last = times == len(PAUSES)
        self._known[hole] = times, now if last else now + PAUSES[times]
        wanted = _encode(Wanted(session, first, to))
        messages = [(f"{self._root}/{line}/{station}/resend", wanted, False)]
        self._publish(messages)
        self._reply(source, messages)
        self._report(Asked(line, station, session, first, to, times, last))
