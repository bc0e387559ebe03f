"""Which times are believed: the source's clock against ours.

A time far off is not believed; a source whose clock is merely off is corrected by its usual offset, the
smallest delay seen lately (a slowly forgetting minimum, as in network time protocols: delays only ever
add)."""

from __future__ import annotations

from service.domain.model import SECOND, Instant

AHEAD = 5 * 60 * SECOND
BEHIND = 7 * 24 * 3600 * SECOND
SAME_CLOCK = 60 * SECOND
_FORGET = 1000
"""The minimum rises by a thousandth of the time that passes, faster than any clock drifts."""


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
    return offset + min(delay - offset, (received - before) // _FORGET)


def correction(own: Instant | None, other: Instant | None) -> Instant:
    """The offset to apply: two sources that agree within a minute are taken to share one clock."""
    if own is None:
        return 0
    if other is not None and abs(own - other) <= SAME_CLOCK:
        return min(own, other)
    return own
