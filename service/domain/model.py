"""The values every layer shares: closed sets, instants and the notice. No I/O, no clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum
from functools import lru_cache
from typing import Generic, TypeVar

import msgspec

from service.domain.said import Said

Instant = int
"""Microseconds since 1970-01-01T00:00:00Z. Integers keep a replay equal to the last digit."""

SECOND: Instant = 1_000_000
Span = tuple[Instant, Instant]
"""From the first moment to the second, which isn't in it."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def from_datetime(moment: datetime) -> Instant:
    """The instant of an aware datetime; exact, without a detour over floats."""
    since = moment - EPOCH
    return (since.days * 86_400 + since.seconds) * SECOND + since.microseconds


_FIRST = from_datetime(datetime.min.replace(tzinfo=UTC))
_LAST = from_datetime(datetime.max.replace(tzinfo=UTC))


@lru_cache(maxsize=65_536)
def shared(name: str) -> str:
    """The same text, one for all that say it: each slot's state says names that thousands of others say."""
    return name


def milliseconds(since: Instant, until: Instant) -> int:
    """By the full milliseconds at both ends, so that those of neighbours add up."""
    return until // 1000 - since // 1000


def to_datetime(at: Instant) -> datetime:
    """The nearest one that there is: an unset clock east of Greenwich says a moment before the year 1."""
    return EPOCH + timedelta(microseconds=min(max(at, _FIRST), _LAST))


def to_rfc3339(at: Instant) -> str:
    """``2026-03-02T06:14:07.250Z``: milliseconds, always UTC."""
    return to_datetime(at).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def rfc3339_or_none(at: Instant | None) -> str | None:
    """The same of a moment that may be unknown."""
    return None if at is None else to_rfc3339(at)


def from_rfc3339(text: str) -> Instant:
    """Of a time with its offset. ``ValueError``: it is none."""
    return from_datetime(datetime.fromisoformat(text))


def from_clock(text: str, zone: tzinfo) -> Instant:
    """Of a time by the clocks of ``zone``, unless it names its offset. ``ValueError``: it is none."""
    said = datetime.fromisoformat(text)
    return from_datetime(said if said.tzinfo else said.replace(tzinfo=zone))


class SupplyKind(StrEnum):
    TAPE = "tape"
    TRAY = "tray"
    STICK = "stick"
    BULK = "bulk"


class Level(StrEnum):
    """How bad a supply notice is; it only gets worse during the notice's life."""

    EARLY = "early"
    URGENT = "urgent"
    EMPTY = "empty"

    @property
    def rank(self) -> int:
        return _RANK[self]


_RANK = {Level.EARLY: 1, Level.URGENT: 2, Level.EMPTY: 3}


class NoticeState(StrEnum):
    OPEN = "open"
    TAKEN = "taken"
    QUIET = "quiet"
    CLOSED = "closed"


class Change(StrEnum):
    """What a delivery tells: the last word of the CloudEvents type ``earlybell.notice.…``. ``reminded`` is no
    change of the notice: it is said to people once more, and never goes to a webhook."""

    OPENED = "opened"
    CHANGED = "changed"
    CLOSED = "closed"
    REMINDED = "reminded"


T = TypeVar("T")


class Spread(msgspec.Struct, Generic[T], frozen=True):
    """A forecast as its 5 %, 50 % and 95 % quantiles."""

    p05: T
    p50: T
    p95: T


class Shortfall(msgspec.Struct, frozen=True):
    """How what is in a slot stands against the orders ahead: ``parts`` expected to be missing at their end,
    rounded up, the ``chance`` that it gives out before that, the first ``order`` that it probably can't
    complete (``None``: it probably lasts), and the ``panels`` that they still need."""

    parts: int
    chance: float
    order: str | None
    panels: int


class PlannedExchange(msgspec.Struct, frozen=True, omit_defaults=True):
    """What is exchanged in a stop: the supply in a slot that is there by ``loading``, or one that comes after
    it; ``emptying`` 1 is its own."""

    station: str
    slot: str
    loading: str
    emptying: int = 1


class PlannedStop(msgspec.Struct, frozen=True, omit_defaults=True):
    """A stop of a line that is kept. ``at``: the panel of each station, counted for ever, at whose end it
    is. One that goes with a planned break names when that begins (``rest``), one at a changeover the
    ``order`` that ends there; their panels follow the calendar and the counts."""

    at: dict[str, int]
    exchanges: tuple[PlannedExchange, ...]
    rest: Instant | None = None
    order: str | None = None


class Notice(msgspec.Struct, kw_only=True, frozen=True):
    """One thing a person is told; the JSON of the API, the webhook ``data`` and the stored row.

    ``line`` is ``None`` for what concerns the whole site. Times are RFC 3339 text. ``version`` grows with
    each told change. The numbers are those of the last told change; whoever shows an open notice may refresh
    them. ``reminded``: how often it was said once more; ``escalated``: how many
    more were told because nobody took it; ``hears``: the people whom it was told to.
    ``said``: the message before it was put into English; a closed notice has none.
    """

    id: str
    kind: str
    line: str | None
    station: str | None
    slot: str | None
    part: str | None
    supply_kind: str | None
    boundary_only: bool
    level: str
    state: str
    opened_at: str
    changed_at: str
    panels_to_empty: Spread[int] | None
    empty_at: Spread[str] | None
    message: str
    taken_by: str | None = None
    quiet_until: str | None = None
    quiet_panels: int | None = None
    closed_at: str | None = None
    closed_by: str | None = None
    closed_because: str | None = None
    reason: str | None = None
    loading: str | None = None
    about: str | None = None
    version: int = 1
    reminded: int = 0
    escalated: int = 0
    hears: tuple[str, ...] = ()
    said: Said | None = None
