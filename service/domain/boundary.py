"""Whether a panel boundary is now, or how far off, from counts and tower: no more than can be known.

Counts say when a panel was complete, not whether the next has begun: that one is in work is assumed, and
whoever stands there looks.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.domain import clock
from service.domain.model import SECOND, Instant
from service.domain.pace import pace_of
from service.domain.said import Said
from service.domain.state import SlotState, StationState
from service.domain.tower import Reading

_LATE = 3.0
"""Takts after which a panel that should have ended long ago shows that the station stands or is empty."""


@dataclass(frozen=True, slots=True)
class Boundary:
    """``now``: whether one is now, ``None``: nobody knows from here. ``every``: seconds a panel takes,
    ``last``: when the last ended, ``seconds`` until the one in work should end."""

    needed: bool
    now: bool | None
    said: Said
    every: float | None = None
    last: Instant | None = None
    seconds: float | None = None


def boundary(station: StationState, slot: SlotState, at: Instant, *, needed: bool) -> Boundary:
    """``needed``: the slot can be exchanged between two panels only."""
    pace, last = pace_of(station), clock.last_panel(station)
    every = None if pace is None else pace.usual
    if not needed:
        return Boundary(
            False, None, Said("It may be exchanged while it runs, as the manual allows."), every, last
        )
    told = _told_by_tower(station, slot)
    if told is not None:
        now, said = told
        return Boundary(True, now, said, every, last)
    if station.resting:
        said = Said("The order is done and nothing was placed since: no panel should be in work. Look first.")
        return Boundary(True, True, said, every, last)
    return _by_counts(every, last, at)


def _told_by_tower(station: StationState, slot: SlotState) -> tuple[bool | None, Said] | None:
    if station.link == "offline":
        return None, Said("The station isn't heard just now: look whether a panel is in work.")
    if slot.out_since is not None:
        return True, Said(
            "The slot is out and the station waits for it: it may be exchanged now, as the manual allows."
        )
    reading = None if station.tower is None else station.tower.reading
    if reading == Reading.OUT:
        return None, Said("The station waits for another supply: look whether a panel is in work.")
    if reading == Reading.FAULT:
        return None, Said("The station stands by a fault: look whether a panel is in work.")
    return None


def _by_counts(every: float | None, last: Instant | None, at: Instant) -> Boundary:
    if every is None or last is None:
        said = Said("How long a panel takes isn't known yet: wait for the end of the one in work.")
        return Boundary(True, None, said)
    ago = max(0.0, (at - last) / SECOND)
    about = {"every": _span(every), "ago": _span(ago)}
    if ago > _LATE * every:
        said = Said(
            "No panel ended for {ago}, else about every {every}. Look whether one is in work: if so, wait for"
            " its end.",
            about,
        )
        return Boundary(True, None, said, every, last)
    said = Said(
        "A panel ends about every {every}; the last ended {ago} ago. Wait for the end of the one in work.",
        about,
    )
    return Boundary(True, False, said, every, last, max(0.0, every - ago))


def _span(seconds: float) -> Said:
    if seconds < 120:
        return Said("{seconds} s", {"seconds": round(seconds)})
    return Said("{minutes} min", {"minutes": round(seconds / 60)})
