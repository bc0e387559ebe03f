"""Which times are believed: a source's clock against ours.

A time far off is not believed; a source whose clock is merely off is corrected by its usual offset, the
smallest delay seen lately (a slowly forgetting minimum, as in network time protocols: delays only ever
add)."""

from __future__ import annotations

from datetime import datetime

from service.domain.heard import SourceClock
from service.domain.model import SECOND, Instant, from_datetime
from service.domain.state import StationState

AHEAD = 5 * 60 * SECOND
BEHIND = 7 * 24 * 3600 * SECOND
COUNT, SUPPLY, TOWER, LINK = "count", "supply", "tower", "link"
_FORGET = 100
"""The minimum rises by a hundredth of the time in which the source is heard: faster than any clock drifts,
too slow for a backlog to pass as a late clock."""
_SILENCE = 60 * SECOND
"""Longer pauses between two messages teach nothing more."""


def believed(at: Instant, received: Instant) -> bool:
    """At most five minutes ahead of our clock and seven days behind it."""
    return received - BEHIND <= at <= received + AHEAD


def usual_offset(
    offset: Instant | None, *, at: Instant, received: Instant, before: Instant | None
) -> Instant:
    """What to add to the source's times, after one more message; ``before`` is when its last one came."""
    delay = received - at
    if offset is None or delay <= offset or before is None:
        return delay
    return offset + min(delay - offset, min(received - before, _SILENCE) // _FORGET)


def of(station: StationState, source: str) -> SourceClock:
    clock = station.clocks.get(source)
    if clock is None:
        clock = station.clocks[source] = SourceClock()
    return clock


def was_set_back(said_at: Instant | None, last_said: Instant | None) -> bool:
    """Whether a source's next message says an earlier time than its last, by more than clocks are kept right.
    A backlog never does; what was its usual offset is none any more."""
    return said_at is not None and last_said is not None and said_at < last_said - _SILENCE


def note(clock: SourceClock, at: Instant, received: Instant) -> Instant:
    """The moment by our clock of a time that is believed; never later than its arrival."""
    clock.offset = usual_offset(clock.offset, at=at, received=received, before=clock.heard)
    clock.heard = received
    return at + clock.offset


def moment(station: StationState, source: str, said: datetime | None, received: Instant) -> Instant:
    """When something other than a count happened: as said and believed, else when it arrived.

    Supply messages are rare, so their smallest delay is found late. Where they share the counts' clock its
    delay is the better one, and where they don't, too early does no harm: events apply as they arrive.
    """
    if said is None:
        return received
    clock, at = of(station, source), from_datetime(said)
    clock.flagged = not believed(at, received)
    if clock.flagged:
        return received
    happened = note(clock, at, received)
    counts = station.clocks.get(COUNT)
    if source != SUPPLY or counts is None or counts.offset is None:
        return happened
    return min(happened, at + counts.offset)


def own_moment(station: StationState, source: str, said: datetime | None, received: Instant) -> Instant:
    """The same by the source's own clock alone, after ``moment``: never earlier than can be shown."""
    known = of(station, source)
    if said is None or known.flagged or known.offset is None:
        return received
    return from_datetime(said) + known.offset


def last_panel(station: StationState) -> Instant | None:
    """When its last panel was complete, by our clock."""
    if station.panel_at is None:
        return None
    source = station.clocks.get(COUNT)
    return station.panel_at + (source.offset or 0 if source is not None else 0)
