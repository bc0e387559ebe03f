"""How much an outlet is sent, and when it is left alone: its pace and its breaker. Arithmetic alone.

Both are one small value for each outlet, kept in the store, so that a program that is restarted over and over
doesn't hammer a receiver that is down. A fresh change always gets its chance: it is what people wait for, and
the best probe there is.

Where people read it a token is a message, whatever it tells: what comes while there is none waits for the
next one. So messages bundle when there is much to say, and nothing waits when there is little.
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
TEN_MINUTES = 600.0
"""Seconds: over such a stretch messages are counted."""
MOST_IN_TEN_MINUTES = 10
"""Messages to people. ISA-18.2 and IEC 62682: never more than 10 in 10 minutes, one or two on average."""
APART = (0.0, 0.8, 3.0, 10.0)
"""Seconds to the next message while so many tokens are out, doubling from there. The second in a row still
begins within a second of its commit; what comes thick as hail in a few seconds doesn't use up the burst."""
PATIENCE = 1.5
"""In times between two tokens: what has waited so long for one that others borrowed waits no longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """A token bucket: ``rate`` sends a second, ``burst`` at once. Fresh changes may borrow ``fresh`` more and
    what presses ``pressing`` more: what comes later pays that back by waiting longer."""

    rate: float
    burst: int
    fresh: int = 0
    pressing: int = 0


def pace_for_people(most: int = MOST_IN_TEN_MINUTES) -> Pace:
    """Never more than ``most`` messages in any ten minutes (at least 2). Of ten: four at once, one more for
    what presses, and the other five spread over the ten minutes."""
    burst, pressing = max(1, most * 2 // 5), most // 10
    return Pace(rate=(most - burst - pressing) / TEN_MINUTES, burst=burst, pressing=pressing)


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


def succeeded(traffic: Traffic, now: Instant) -> Traffic:
    """A success closes the breaker at once."""
    return Traffic(
        full_at=traffic.full_at, succeeded_at=now, failed_at=traffic.failed_at, error=traffic.error
    )


def failed(
    traffic: Traffic, now: Instant, *, reason: str, chance: float, retry_after: float | None = None
) -> Traffic:
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
        failed_at=now,
        error=reason,
    )
    if known.failures < OPENS_AFTER or now < traffic.open_until:
        return known
    wait = min(wait_seconds(traffic.trips + 2, chance=chance), LONGEST_OPEN)
    return replace(known, trips=traffic.trips + 1, open_until=now + round(wait * SECOND))


def sent(traffic: Traffic, pace: Pace, now: Instant) -> Traffic:
    """One token is taken from the bucket."""
    return replace(traffic, full_at=max(traffic.full_at, now) + _interval(pace))


def given_back(traffic: Traffic, pace: Pace) -> Traffic:
    """The token of a message that nobody got."""
    return replace(traffic, full_at=traffic.full_at - _interval(pace))


def tokens(traffic: Traffic, pace: Pace, now: Instant, *, borrowed: int = 0) -> int:
    """How many may be sent at once, with so many ``borrowed``."""
    return max(0, pace.burst + borrowed - _out(traffic, pace, now))


def next_token_at(traffic: Traffic, pace: Pace, *, borrowed: int = 0) -> Instant:
    """When there is a token for what may borrow so many."""
    return traffic.full_at - (pace.burst + borrowed - 1) * _interval(pace)


def apart(traffic: Traffic, pace: Pace, now: Instant, *, pressing: bool = False) -> Instant:
    """How long after the last message the next may begin; one that presses as if one fewer were out."""
    out = _out(traffic, pace, now) - pressing
    beyond = max(0, out - (len(APART) - 1))
    seconds = APART[max(0, min(out, len(APART) - 1))] * 2.0 ** min(beyond, 10)
    return min(round(seconds * SECOND), _interval(pace))


def patience(pace: Pace) -> Instant:
    """So long after the last message anything may borrow what else only what presses may."""
    return round(PATIENCE * _interval(pace))


def believed(traffic: Traffic, pace: Pace, now: Instant) -> Traffic:
    """As it was stored, but never further ahead than it could be: the clock may have stepped back."""
    furthest = (pace.burst + pace.fresh + pace.pressing) * _interval(pace)
    return replace(
        traffic,
        open_until=min(traffic.open_until, now + round(LONGEST_OPEN * SECOND)),
        paused_until=min(traffic.paused_until, now + round(LONGEST * SECOND)),
        full_at=min(traffic.full_at, now + furthest),
    )


def _out(traffic: Traffic, pace: Pace, now: Instant) -> int:
    """Tokens that haven't come back yet."""
    return -(-max(0, traffic.full_at - now) // _interval(pace))


def _interval(pace: Pace) -> Instant:
    return round(SECOND / pace.rate)
