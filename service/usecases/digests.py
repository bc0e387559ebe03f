"""Sends what people are told at a change of shifts and once a week: what is due, whom it goes to, and that it
goes once.

What was due is looked for in the time just passed, not remembered: so what fell into a restart or into
another's time in charge is still said while it is fresh. Keys name the rule and the moment; a key that is in
the outbox stays as it is, so nothing is said twice.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NamedTuple, Protocol
from zoneinfo import ZoneInfo

import msgspec

from service.domain.hourly import HOUR, LineHour
from service.domain.model import SECOND, Change, Instant
from service.domain.policy import Day, Policy
from service.domain.said import Said
from service.domain.sayings import HANDOVER, WEEK, saying
from service.domain.sums import Sums, summed
from service.domain.turns import Turn, Week, before, chosen, turns, week_before, weeks
from service.ports import Hours, NewDelivery, StoreError
from service.sent import Budgeting
from service.usecases.digest import ShiftOver, WeekOver, shift_over, week_over
from service.usecases.handover import Turn as Span

Json = dict[str, Any]
FRESH: Instant = 2 * HOUR
FRESH_WEEK: Instant = 12 * HOUR
PATIENCE: Instant = HOUR // 2
"""A weekly message waits so long for the last hours of its week to be rolled up."""
AHEAD: Instant = 15 * 24 * HOUR


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One configured digest; ``day`` and ``time`` of a weekly one."""

    outlets: tuple[str, ...]
    lines: tuple[str, ...]
    day: Day = "mon"
    time: str | None = None


class _Due(NamedTuple):
    """``make`` gives what to say, or ``None``: not yet."""

    name: str
    kind: str
    lines: Sequence[str]
    outlets: Sequence[str]
    make: Callable[[Instant], Said | None]


class Showing(Protocol):
    """The part of the reading side that is asked."""

    def lines(self) -> list[Json]: ...

    def handed(
        self, lines: Collection[str], turn: Span, *, at: Instant, hours: float, line: str | None
    ) -> Json: ...


@dataclass(slots=True, kw_only=True)
class Digests:
    """``review`` makes the report of a time (and may raise anything), ``say`` enqueues while we are in
    charge, ``failed`` hears why a shift couldn't be reviewed."""

    rules: Sequence[Rule]
    policy: Policy
    site: str
    showing: Showing
    hours: Hours
    budget: Budgeting
    review: Callable[[Instant, Instant], Mapping[str, Any]]
    say: Callable[[Sequence[NewDelivery]], object]
    failed: Callable[[Exception], object]
    _said: set[str] = field(default_factory=set)

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.policy.timezone)

    def look(self, now: Instant) -> list[str]:
        """Say what is due and still fresh; the names of what was said. May raise ``StoreError``."""
        due = [each for rule in self.rules for each in self._due(rule, now) if each.name not in self._said]
        said = []
        for each in due:
            sheet = each.make(now)
            if sheet is not None:
                self.say([self._delivery(each, sheet, outlet, now) for outlet in each.outlets])
                self._said.add(each.name)
                said.append(each.name)
        return said

    def next_after(self, at: Instant) -> Instant | None:
        """When something is due next; ``None``: not within two weeks."""
        moments = [moment for rule in self.rules for moment in self._moments(rule, at)]
        return min(moments, default=None)

    def _moments(self, rule: Rule, at: Instant) -> Iterator[Instant]:
        if rule.time is not None:
            yield from (each.due for each in weeks(self.zone, rule.day, rule.time, at, at + AHEAD))
        else:
            yield from (each.until for each in turns(self.policy, self._lines(rule), at, at + AHEAD))

    def _lines(self, rule: Rule) -> list[str]:
        return chosen((str(each["line"]) for each in self.showing.lines()), rule.lines)

    def _due(self, rule: Rule, now: Instant) -> Iterator[_Due]:
        lines = self._lines(rule)
        if rule.time is None:
            for turn in turns(self.policy, lines, now - FRESH, now):
                name = _name(HANDOVER, rule, turn.since, turn.until)
                yield _Due(name, HANDOVER, turn.lines, rule.outlets, partial(self._shift, turn))
        elif lines:
            for week in weeks(self.zone, rule.day, rule.time, now - FRESH_WEEK, now):
                name = _name(WEEK, rule, week.since, week.due)
                yield _Due(name, WEEK, lines, rule.outlets, partial(self._week, week, lines))

    def _delivery(self, due: _Due, sheet: Said, outlet: str, now: Instant) -> NewDelivery:
        line = due.lines[0] if len(due.lines) == 1 else None
        return NewDelivery(
            key=f"{due.name}:{outlet}",
            outlet=outlet,
            conversation=f"{due.name}:{outlet}",
            change=Change.CHANGED,  # an opening that is closed by now need not be told any more
            notice=saying(due.kind, due.name, sheet, now, site=self.site, line=line),
            at=now,
        )

    def _shift(self, turn: Turn, now: Instant) -> Said:
        line = turn.lines[0] if len(turn.lines) == 1 else None
        handed = self.showing.handed(turn.lines, Span(turn.since, turn.until), at=now, hours=1.0, line=line)
        told = ShiftOver(
            lines=turn.lines,
            since=turn.since,
            until=turn.until,
            handover=handed,
            lost=self._lost(turn),
            before=list(self._before(turn)),
        )
        return shift_over(told, self.zone)

    def _lost(self, turn: Turn) -> Sums | None:
        """From a review of that very time: its figures are those of the shift, not of whole hours. ``None``:
        there are none."""
        try:
            report = self.review(turn.since, turn.until)
        except StoreError:
            raise
        except Exception as error:  # made in a process of its own: it may fail in any way
            self.failed(error)
            return None
        figures = msgspec.convert(report["hours"], list[LineHour])
        mine = [each for each in figures if each.line in turn.lines]
        if not mine:
            return None
        return summed(mine, turn.since // HOUR * HOUR, -(-turn.until // HOUR) * HOUR)

    def _before(self, turn: Turn) -> Iterator[Sums]:
        """The last ones in which anything was made: a shift at home lost nothing, and says nothing."""
        for since, until in before(self.policy, turn):
            if not self._is_whole(since, until):
                continue
            figures = [each for each in self._figures(since, until) if each.line in turn.lines]
            sums = summed(figures, since, until)
            if sums.worked_ms:
                yield sums

    def _is_whole(self, since: Instant, until: Instant) -> bool:
        """Whether every hour was rolled up; one in which nothing was heard has no figures."""
        first, rolled = self.hours.first(), self.hours.rolled()
        return first is not None and first <= since and rolled is not None and until <= rolled

    def _figures(self, since: Instant, until: Instant) -> list[LineHour]:
        return self.hours.between(since // HOUR * HOUR, until)

    def _week(self, week: Week, lines: Sequence[str], now: Instant) -> Said | None:
        """``None``: not yet."""
        rolled = self.hours.rolled()
        if (rolled is None or rolled < week.until) and now < week.due + PATIENCE:
            return None
        earlier = week_before(self.zone, week)
        figures, then = self._figures(week.since, week.until), self._figures(*earlier)
        known = self._is_whole(*earlier)
        told = WeekOver(
            since=week.since,
            until=week.until,
            lines=[
                (
                    line,
                    summed([each for each in figures if each.line == line], week.since, week.until),
                    summed([each for each in then if each.line == line], *earlier) if known else None,
                )
                for line in lines
            ],
            people=self._people(week),
            whole=self._is_whole(week.since, week.until),
        )
        return week_over(told, self.site)

    def _people(self, week: Week) -> list[tuple[str, int]]:
        shown: Any = self.budget.shown(since=week.since, until=week.until)
        return [(str(each["who"]), int(each["messages"])) for each in shown["people"]]


def _name(kind: str, rule: Rule, since: Instant, until: Instant) -> str:
    """The same after a restart and on another instance; of another rule another."""
    told = "\x1f".join((*rule.lines, "", str(since)))
    return f"{kind}-{until // SECOND}-{hashlib.sha256(told.encode(errors='surrogatepass')).hexdigest()[:12]}"
