"""When a failed delivery is tried again, and when it is given up: arithmetic, with chance and time passed in.

Waits grow from under a second to 40 s, so that a receiver that is well again hears of what waits within a
minute; while a notice is open its delivery is never given up, because nobody else will say it.
"""

from __future__ import annotations

import math

from service.domain.model import SECOND, Instant

FIRST = 1.0
"""Seconds: the first wait at most; it doubles with each attempt."""
LONGEST = 40.0
"""Seconds: after the 15 s that an attempt may hang, the next still begins within 60 s of the recovery."""
SPREAD = 0.5
"""The share of a wait that chance decides. The whole (1.0) would let a later wait be shorter than an earlier
one; half of it scatters a herd as well and keeps the promise that waits grow."""
LONGEST_ASKED = 600.0
"""Seconds: what a receiver may ask for with Retry-After; more is a mistake or an attack."""
GIVE_UP = 24 * 3600 * SECOND


def wait_seconds(attempts: int, *, chance: float, retry_after: float | None = None) -> float:
    """How long to wait after attempt number ``attempts`` (from 1) failed; ``chance`` lies in [0, 1)."""
    longest = min(LONGEST, FIRST * 2.0 ** min(max(attempts, 1) - 1, 16))
    wait = longest * (1.0 - SPREAD + SPREAD * chance)
    return max(wait, asked_seconds(retry_after))


def asked_seconds(retry_after: float | None) -> float:
    """What a receiver asked for, as far as it is believed; 0 when it asked for nothing sensible."""
    if retry_after is None or math.isnan(retry_after):
        return 0.0
    return min(max(retry_after, 0.0), LONGEST_ASKED)


def next_try(
    attempts: int,
    *,
    now: Instant,
    created_at: Instant,
    closed: bool,
    chance: float,
    retry_after: float | None = None,
) -> Instant | None:
    """When a failed delivery is tried again; ``None``: never, its notice is closed and it is a day old."""
    if closed and now - created_at >= GIVE_UP:
        return None
    return now + round(wait_seconds(attempts, chance=chance, retry_after=retry_after) * SECOND)
