"""Rolls up hour after hour: once one is over, its figures come from the review of it and are kept for ever.

Nothing is forgotten that an hour's figures still need. An hour that can't be reviewed holds up no other: it
is tried again, ever more rarely, and the mark stays before it. What comes later than ``SETTLED`` is counted
when the night rolls the day before once more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec

from service.domain.hourly import HOUR, LineHour
from service.domain.model import SECOND, Instant
from service.ports import Archive, Hours, StoreError
from service.sent import Sent, SentRow

MARGIN: Instant = 900 * SECOND
"""Reviewed before and behind as well: why a stop began, and why it went on, lies beyond the hour's edges."""
SETTLED: Instant = MARGIN + 60 * SECOND
AT_ONCE = 8
"""Hours in one review, while there are many to do."""
PATIENCE: Instant = 300 * SECOND
LONGEST: Instant = 6 * HOUR
LOUD: Instant = 7 * 24 * HOUR
"""Behind by more than that, somebody must be told."""

Make = Callable[[Instant, Instant], Mapping[str, Any]]
Save = Callable[[Instant, Sequence[LineHour], Instant], None]


@dataclass(frozen=True, slots=True)
class Rolled:
    """What was done: the hours from ``since`` on, or why it couldn't be."""

    since: Instant
    hours: int
    error: str | None = None


@dataclass(slots=True)
class _Put:
    """An hour that failed so often, and when it is tried again."""

    times: int
    again_at: Instant


@dataclass(slots=True, kw_only=True)
class RollUp:
    """``make`` reviews a time (and may raise anything), ``save`` keeps an hour, while we are in charge.
    ``reach``: who reads what an outlet sends; programs are nobody."""

    hours: Hours
    archive: Archive
    sent: Sent
    reach: Mapping[str, Sequence[str]]
    make: Make
    save: Save
    _next: Instant | None = None
    _failed: dict[Instant, _Put] = field(default_factory=dict)

    def tick(self, now: Instant) -> Rolled | None:
        """Roll the next hours, as many as one review takes; ``None``: nothing is due. May raise
        ``StoreError``."""
        begin = self._begin()
        if begin is None:
            return None
        again = next((at for at, put in sorted(self._failed.items()) if put.again_at <= now), None)
        over = (now - SETTLED) // HOUR * HOUR
        if again is None and begin >= over:
            return None
        since = begin if again is None else again
        until = min(begin + AT_ONCE * HOUR, over) if again is None else again + HOUR
        rolled = self._roll(since, until, now)
        if again is None:
            self._next = until
        return rolled

    def once_more(self, since: Instant, until: Instant, now: Instant) -> Rolled:
        """Roll these hours again, with what came late; none that wasn't rolled yet."""
        begin = self._begin()
        end = min(until, since if begin is None else begin)
        return self._roll(since, end, now) if since < end else Rolled(since, 0)

    def behind(self, now: Instant) -> Instant:
        """How far the figures are behind what they could be."""
        mark = self._mark()
        return 0 if mark is None else max(0, (now - SETTLED) // HOUR * HOUR - mark)

    def keep_from(self, before: Instant, *, at_most: Instant) -> Instant:
        """What is older than ``before`` may be forgotten, as far as it was rolled up; held for ``at_most``
        longer than that."""
        return keep_from(self._mark(), before, at_most=at_most)

    def forgot(self, before: Instant) -> None:
        """The journal has nothing from before that any more: what couldn't be rolled up never will be."""
        for begin in [at for at in self._failed if at + HOUR <= before]:
            del self._failed[begin]

    def _begin(self) -> Instant | None:
        if self._next is None:
            self._next = rolled_until(self.hours, self.archive)
        return self._next

    def _mark(self) -> Instant | None:
        begin = self._begin()
        return None if begin is None else min((begin, *self._failed))

    def _roll(self, since: Instant, until: Instant, now: Instant) -> Rolled:
        """Each on its own where all together fail: it may be one of them alone."""
        count = (until - since) // HOUR
        try:
            found = self._figures(since, until)
        except StoreError:
            raise  # it is no fault of the hour's
        except Exception as error:  # a review in a process of its own may fail in any way
            if count > 1:
                each = [self._roll(at, at + HOUR, now) for at in range(since, until, HOUR)]
                bad = next((one.error for one in each if one.error), None)
                return Rolled(since, sum(one.hours for one in each), bad)
            times = self._failed[since].times + 1 if since in self._failed else 1
            wait = min(PATIENCE << min(times - 1, 10), LONGEST)
            self._failed[since] = _Put(times, now + wait)
            return Rolled(since, 0, f"{type(error).__name__}: {error}")
        for begin in range(since, until, HOUR):
            self._failed.pop(begin, None)
            mark = min((max(begin + HOUR, self._next or 0), *self._failed))
            self.save(begin, [each for each in found if each.begin == begin], mark)
        return Rolled(since, count)

    def _figures(self, since: Instant, until: Instant) -> list[LineHour]:
        review = self.make(since - MARGIN, until + MARGIN)
        figures = msgspec.convert(review["hours"], list[LineHour])
        rows = self.sent.sent(since=since, until=until)
        return [_with_messages(each, rows, self.reach) for each in figures if since <= each.begin < until]


def _with_messages(figures: LineHour, rows: Sequence[SentRow], reach: Mapping[str, object]) -> LineHour:
    """One outlet at one moment is one message, however much it told."""
    told = {
        (row.outlet, row.at)
        for row in rows
        if row.sent
        and row.outlet in reach
        and row.about.line == figures.line
        and figures.begin <= row.at < figures.begin + HOUR
    }
    return msgspec.structs.replace(figures, messages=len(told))


def rolled_until(hours: Hours, archive: Archive) -> Instant | None:
    """The first hour without figures that may have some; ``None``: nothing was ever heard. Settings alone
    have none: where the time is what messages say, the first of them are from 1970."""
    entries = archive.journal(position=0)
    heard = next((entry.at for _, entry in entries if entry.kind != "settings"), None)
    first = oldest(archive)
    if heard is None or first is None:
        return None
    return max(heard, first, hours.rolled() or 0) // HOUR * HOUR


def keep_from(mark: Instant | None, before: Instant, *, at_most: Instant) -> Instant:
    """From when on the journal is kept, where what is older than ``before`` may go and hours from ``mark`` on
    have no figures yet: held for them, but for ``at_most`` longer than that."""
    return before if mark is None else max(min(before, mark - MARGIN - HOUR), before - at_most)


def oldest(archive: Archive) -> Instant | None:
    """From when on the journal can be read; ``None``: it is empty."""
    first = next(archive.journal(position=0), None)
    if first is None:
        return None
    number, entry = first
    kept = archive.checkpoint(at=None)
    return entry.at if number == 0 or kept is None else max(kept[1], entry.at)
