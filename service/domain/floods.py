"""When messages come too thick: floods, peaks, chattering. Pure sums over moments, given in order.

A flood is looked for in every interval of ten minutes that ends now, not in ten minutes of the clock: eleven
messages in ten minutes are a flood wherever the clock's border lies. It is the stricter of the two readings
that the standards leave open; ``in_flood`` is the other, for counts of periods that lie end to end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from service.domain.model import SECOND, Instant

MINUTE: Instant = 60 * SECOND
TEN_MINUTES: Instant = 10 * MINUTE
BEGINS_ABOVE = 10
"""More than so many messages in ten minutes begin a flood."""
ENDS_BELOW = 5
"""Fewer than so many end it."""
CHATTERS_FROM = 3
"""So many openings of one thing within a minute are chatter."""


class Flood(NamedTuple):
    """``until`` is ``None`` while it goes on."""

    since: Instant
    until: Instant | None


def in_flood(counts: Iterable[int]) -> list[bool]:
    """Which of the periods with these counts belong to a flood: it holds on until one is below five."""
    held, found = False, []
    for count in counts:
        held = count >= ENDS_BELOW if held else count > BEGINS_ABOVE
        found.append(held)
    return found


def floods(moments: Sequence[Instant], now: Instant) -> list[Flood]:
    """The floods among messages at these moments, as they are known ``now``.

    Each begins with the eleventh message within ten minutes, and ends when only four are left in the last ten
    minutes.
    """
    found: list[Flood] = []
    since: Instant | None = None
    for last, at in enumerate(moments):
        if since is None and last >= BEGINS_ABOVE and at - moments[last - BEGINS_ABOVE] <= TEN_MINUTES:
            since = at
        if since is None:
            continue
        # When the fifth last has left the window, four remain, unless the next message is there before.
        empties = moments[last - ENDS_BELOW + 1] + TEN_MINUTES
        following = moments[last + 1] if last + 1 < len(moments) else now
        if empties < following:
            found.append(Flood(since, empties))
            since = None
    return found if since is None else [*found, Flood(since, None)]


def peak(moments: Sequence[Instant], within: Instant) -> int:
    """The most messages in any interval of that length, both its ends included."""
    most = first = 0
    for last, at in enumerate(moments):
        while at - moments[first] > within:
            first += 1
        most = max(most, last - first + 1)
    return most


def chatters(openings: Sequence[Instant]) -> bool:
    """Whether one thing was opened three times within a minute."""
    return peak(openings, MINUTE) >= CHATTERS_FROM
