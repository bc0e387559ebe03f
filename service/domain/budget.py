"""The message budget: how many messages each person gets, and whether that is more than people can follow.

Set against the figures that the alarm management standards give for one operator. What is sent is a fact of
the outbox; here are only the sums and the words for them.

Averages are over the hours in which somebody heard something. A standard's operator sits there all day; our
people come and go, and whole nights without them would make any average look good.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.floods import BEGINS_ABOVE, MINUTE, TEN_MINUTES, Flood, chatters, floods, peak
from service.domain.model import SECOND, Instant, Level

HOUR: Instant = 3600 * SECOND
DAY: Instant = 24 * HOUR
FLEETING: Instant = MINUTE
"""A notice that ends by itself so soon leaves nobody the time to do anything. Our figure: the standards name
none."""
STALE: Instant = DAY
MOST_FREQUENT = 10
CROWDED_HOUR = 30


class Verdict(StrEnum):
    ACCEPTABLE = "very likely acceptable"
    MANAGEABLE = "manageable"
    TOO_MUCH = "too much"


@dataclass(frozen=True, slots=True, kw_only=True)
class Benchmark:
    """What a standard finds ``good`` and, where it says so, the ``most`` that can be managed."""

    good: float
    most: float | None = None


BENCHMARKS: Mapping[str, Benchmark] = {
    "per_day": Benchmark(good=144, most=288),
    "per_hour": Benchmark(good=6, most=12),
    "per_ten_minutes": Benchmark(good=1, most=2),
    "peak_ten_minutes": Benchmark(good=10),
    "crowded_hours": Benchmark(good=0.01),
    "crowded_ten_minutes": Benchmark(good=0.01),
    "flood_share": Benchmark(good=0.01),
    "frequent_share": Benchmark(good=0.01, most=0.05),
    "chattering": Benchmark(good=0),
    "fleeting": Benchmark(good=0),
    "stale": Benchmark(good=4),
    "early": Benchmark(good=0.80),
    "urgent": Benchmark(good=0.15),
    "empty": Benchmark(good=0.05),
}
"""For one operator, over 30 days and more: ANSI/ISA-18.2-2016 clause 16 and IEC 62682, from public pages.

From memory are 144 and 288 a day (150 and 300 in the edition of 2009 are found more often) and the peak.
Shares of floods and of ten minutes with more than ten: below about 1 %; of hours with more than 30 from
memory. Stale ones: fewer than five on any day. Three priorities: about 80, 15 and 5 %. The ten most frequent:
below 1, at most 5 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Announced:
    """One word about a notice that calls for somebody, whoever heard it. ``source`` is what it is about, the
    same for each emptying of a slot; ``opens``: it is the notice's first word, or the first after it had
    closed."""

    at: Instant
    source: str
    level: str
    opens: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """A notice from its opening to its end; ``by_itself``: nobody did anything about it."""

    source: str
    notice: str
    since: Instant
    until: Instant | None
    by_itself: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What one person was sent. ``hours`` are messages in each hour from the beginning; shares are of the
    hours, or of the ten minutes, that lie in hours with messages. ``None``: nothing was sent."""

    messages: int
    hours: tuple[int, ...]
    per_day: float | None
    per_hour: float | None
    per_ten_minutes: float | None
    peak_hour: int
    peak_ten_minutes: int
    crowded_hours: float | None
    crowded_ten_minutes: float | None
    flood_share: float | None
    floods: tuple[Flood, ...]

    @property
    def verdict(self) -> Verdict:
        """By the average; what came in a flood is never called acceptable."""
        average, best = self.per_ten_minutes or 0.0, BENCHMARKS["per_ten_minutes"]
        if best.most is not None and average > best.most:
            return Verdict.TOO_MUCH
        calm = average <= best.good and self.peak_ten_minutes <= BENCHMARKS["peak_ten_minutes"].good
        return Verdict.ACCEPTABLE if calm else Verdict.MANAGEABLE


def load_of(moments: Iterable[Instant], since: Instant, until: Instant) -> Load:
    """The sums of one person's messages from ``since`` to before ``until``."""
    sent = sorted(at for at in moments if since <= at < until)
    hours, tens = _counted(sent, since, until, HOUR), _counted(sent, since, until, TEN_MINUTES)
    days = _counted(sent, since, until, DAY)
    heard = sum(count > 0 for count in hours)
    found = floods(sent, until)
    flooded = sum((each.until or until) - each.since for each in found)
    return Load(
        messages=len(sent),
        hours=hours,
        per_day=_share(len(sent), sum(count > 0 for count in days)),
        per_hour=_share(len(sent), heard),
        per_ten_minutes=_share(len(sent), heard * 6),
        peak_hour=peak(sent, HOUR),
        peak_ten_minutes=peak(sent, TEN_MINUTES),
        crowded_hours=_share(sum(count > CROWDED_HOUR for count in hours), heard),
        crowded_ten_minutes=_share(sum(count > BEGINS_ABOVE for count in tens), heard * 6),
        flood_share=_share(flooded, heard * HOUR),
        floods=tuple(found),
    )


def _counted(sent: Sequence[Instant], since: Instant, until: Instant, length: Instant) -> tuple[int, ...]:
    """How many lie in each period of that length; the last may be cut short."""
    counts = [0] * max(0, -(-(until - since) // length))
    for at in sent:
        counts[(at - since) // length] += 1
    return tuple(counts)


def _share(part: float, whole: float) -> float | None:
    return part / whole if whole else None


# What is said too often, for too long, or for nothing


def most_frequent(announced: Iterable[Announced]) -> list[tuple[str, int]]:
    """The ten things that were spoken of most, with how often; equals by name."""
    counted = Counter(each.source for each in announced)
    return sorted(counted.items(), key=lambda item: (-item[1], item[0]))[:MOST_FREQUENT]


def chattering(announced: Iterable[Announced]) -> list[str]:
    """The things of which one was opened three times within a minute, by name."""
    openings: dict[str, list[Instant]] = defaultdict(list)
    for each in announced:
        if each.opens:
            openings[each.source].append(each.at)
    return sorted(source for source, moments in openings.items() if chatters(sorted(moments)))


def fleeting(lives: Iterable[Life], chatter: Sequence[str] = ()) -> list[Life]:
    """Notices that ended by themselves within a minute; those of what chatters are counted there."""
    return [
        each
        for each in lives
        if each.until is not None
        and each.by_itself
        and each.until - each.since < FLEETING
        and each.source not in chatter
    ]


def stale(lives: Iterable[Life], now: Instant) -> list[Life]:
    """Notices that have been open for more than 24 hours without a break, the oldest first."""
    open_ = [each for each in lives if each.until is None and now - each.since > STALE]
    return sorted(open_, key=lambda each: (each.since, each.notice))


def levels(announced: Iterable[Announced]) -> dict[str, int]:
    """How often each level was announced."""
    counted = Counter(each.level for each in announced)
    return {level.value: counted[level.value] for level in Level}
