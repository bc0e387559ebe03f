"""How much an outlet is sent, and when it is left alone: its pace and its breaker. Arithmetic alone.

Both are one small value for each outlet, kept in the store, so that a program that is restarted over and over
doesn't hammer a receiver that is down. A fresh change always gets its chance: it is what people wait for, and
the best probe there is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.domain.backoff import LONGEST, asked_seconds, wait_seconds
from service.domain.model import SECOND, Instant

OPENS_AFTER = 5
"""Failures in a row, whatever the messages: then what waits is put off, instead of tried one by one."""
LONGEST_OPEN = 30.0
"""Seconds: with the 15 s that a probe may hang, still within 60 s of the recovery."""
PROBE_EVERY = 1 * SECOND
"""While it is open a fresh change may be tried, so many at most."""
FRESH = 2 * SECOND
"""Never tried and committed so lately: the first attempt begins within a second of the commit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """A token bucket: ``rate`` sends a second, ``burst`` at once. Fresh changes may borrow ``fresh`` more:
    what is late pays that back by waiting longer."""

    rate: float
    burst: int
    fresh: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Traffic:
    """What is remembered of one outlet. ``full_at``: when its bucket is full again. ``trips``: how often the
    breaker opened since the last success; ``paused_until``: what the receiver asked for; ``succeeded_at``,
    ``failed_at`` and ``error``: how its last attempts went, for people."""

    failures: int = 0
    trips: int = 0
    failing_since: Instant | None = None
    open_until: Instant = 0
    paused_until: Instant = 0
    full_at: Instant = 0
    succeeded_at: Instant | None = None
    failed_at: Instant | None = None
    error: str | None = None

    @property
    def half_open(self) -> bool:
        return self.trips > 0


NOTHING_YET = Traffic()


def succeeded(traffic: Traffic) -> Traffic:
    """A success closes the breaker at once."""
    return Traffic(full_at=traffic.full_at)


def failed(traffic: Traffic, now: Instant, *, chance: float, retry_after: float | None = None) -> Traffic:
    """One more failure in a row; the breaker opens when there were enough, for longer each time.

    A receiver that asks for time asks it for all messages, but is never left alone for longer than it may
    take until we see that it is well again.
    """
    pause = now + round(min(asked_seconds(retry_after), LONGEST) * SECOND)
    known = replace(
        traffic,
        failures=traffic.failures + 1,
        failing_since=now if traffic.failing_since is None else traffic.failing_since,
        paused_until=max(traffic.paused_until, pause),
    )
    if known.failures < OPENS_AFTER or now < traffic.open_until:
        return known
    wait = min(wait_seconds(traffic.trips + 2, chance=chance), LONGEST_OPEN)
    return replace(known, trips=traffic.trips + 1, open_until=now + round(wait * SECOND))


def sent(traffic: Traffic, pace: Pace, now: Instant) -> Traffic:
    """One token is taken from the bucket."""
    return replace(traffic, full_at=max(traffic.full_at, now) + _interval(pace))


def tokens(traffic: Traffic, pace: Pace, now: Instant, *, fresh: bool = False) -> int:
    """How many may be sent at once."""
    whole = pace.burst + (pace.fresh if fresh else 0)
    return max(0, whole - -(-max(0, traffic.full_at - now) // _interval(pace)))


def next_token_at(traffic: Traffic, pace: Pace) -> Instant:
    """When there is a token for what isn't fresh."""
    return traffic.full_at - (pace.burst - 1) * _interval(pace)


def believed(traffic: Traffic, pace: Pace, now: Instant) -> Traffic:
    """As it was stored, but never further ahead than it could be: the clock may have stepped back."""
    furthest = (pace.burst + pace.fresh) * _interval(pace)
    return replace(
        traffic,
        open_until=min(traffic.open_until, now + round(LONGEST_OPEN * SECOND)),
        paused_until=min(traffic.paused_until, now + round(LONGEST * SECOND)),
        full_at=min(traffic.full_at, now + furthest),
    )


def _interval(pace: Pace) -> Instant:
    return round(SECOND / pace.rate)
