"""What is done by the clock: the tick, checkpoints, hours rolled up, digests, and what is forgotten.

What is due stands in our own tables or follows from the calendar, so a late or lost run costs its lateness
only; nothing but the tick is done unless this instance is in charge.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import structlog
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from service.domain.hourly import HOUR, LineHour
from service.domain.model import SECOND, Instant, from_datetime, to_datetime
from service.heart import Heart
from service.lease import LeaseLost
from service.ports import Hours, NewDelivery, StoreError
from service.reign import Reign
from service.report import Report
from service.reviewing import NothingToReview, Reviewing, TooManyReviews
from service.sent import Budgeting
from service.settings import Settings
from service.store import Store
from service.usecases.budget import readers
from service.usecases.digests import Digests, Rule, Showing
from service.usecases.rollup import AT_ONCE, RollUp

DAY: Instant = 24 * HOUR
KEEP_DEEDS_DAYS = 90
"""What people did with accounts and keys."""
LATE: Instant = 2 * HOUR
"""Hours that the night leaves alone when it rolls the day once more: they are still young."""
SOON: Instant = 2 * SECOND
"""After a start: by then it is usually in charge."""
AT_MOST = 30.0
"""Seconds in which one run goes on with hours that were missed."""
log = structlog.get_logger()


class OnSiteTime(BaseTrigger):  # type: ignore[misc]
    """Fires when ``next_after`` says. The library's own would tell of an hour that comes twice two times, and
    of one that is left out at a time that the calendar doesn't know."""

    __slots__ = ("_next_after", "_zone")

    def __init__(self, next_after: Callable[[Instant], Instant | None], zone: ZoneInfo) -> None:
        self._next_after = next_after
        self._zone = zone

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime | None:
        after = now if previous is None else max(previous, now)
        found = self._next_after(from_datetime(after))
        return None if found is None else to_datetime(found).astimezone(self._zone)


class Timetable:
    """``start`` once, ``stop`` at the end. ``reign`` gives our time in charge, ``beat`` says that the ticker
    moves. Figures of hours are kept of ``store``, from its ``own`` reviews; digests are of all shards, like
    ``showing``, ``budget``, ``hours`` and ``reviews``, and like signs of life told by the one that
    ``speaks``."""

    def __init__(
        self,
        *,
        settings: Settings,
        store: Store,
        showing: Showing,
        budget: Budgeting,
        hours: Hours,
        reviews: Reviewing,
        own: Reviewing,
        speaks: bool,
        reign: Callable[[], Reign | None],
        heart: Heart,
        report: Report,
        beat: Callable[[], object],
        clock: Callable[[], Instant],
    ) -> None:
        self._settings, self._store, self._report = settings, store, report
        self._reign, self._heart, self._beat, self._clock = reign, heart, beat, clock
        self._speaks = speaks
        self._rolling = threading.Lock()
        """Each job has a thread of its own, and ``RollUp`` isn't made for two."""
        policy = settings.policy()
        self.rollup = RollUp(
            hours=store.hours,
            archive=store.archive,
            sent=store.sent,
            reach=readers(policy),
            make=partial(figures_of, own),
            save=self._save,
        )
        self.digests = Digests(
            rules=[
                Rule(outlets=each.outlets, lines=each.lines, day=each.on, time=each.time)
                for each in (settings.digests if speaks else ())
            ],
            policy=policy,
            site=settings.site.name,
            showing=showing,
            hours=hours,
            budget=budget,
            review=partial(figures_of, reviews),
            say=self._say,
            failed=report.digest_failed,
        )
        self._scheduler = self._scheduled()

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)

    def _scheduled(self) -> BackgroundScheduler:
        zone = ZoneInfo(self._settings.site.timezone)
        scheduler = BackgroundScheduler(
            timezone=zone,
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        scheduler.add_job(self._tick, "interval", seconds=1, id="tick")
        if self._heart.beats and self._speaks:
            scheduler.add_job(self._heart.tick, "interval", seconds=1, id="heart")
        scheduler.add_job(self._checkpoint, "interval", hours=1, id="checkpoint")
        soon = to_datetime(self._clock() + SOON)
        scheduler.add_job(self.roll_up, "interval", minutes=1, next_run_time=soon, id="hours")
        scheduler.add_job(self.roll_up_again, "cron", hour=2, minute=50, id="hours again")
        scheduler.add_job(self.prune, "cron", hour=3, minute=30, id="prune")
        if self.digests.rules:
            when = OnSiteTime(self.digests.next_after, zone)
            scheduler.add_job(self.digest, when, id="digests")
            # What fell into a restart, or into a store that was away.
            scheduler.add_job(self.digest, "interval", minutes=1, next_run_time=soon, id="digests missed")
        return scheduler

    def _tick(self) -> None:
        self._beat()
        self._report.look()
        reign = self._reign()
        if reign is not None:
            reign.tick()

    def _checkpoint(self) -> None:
        reign = self._reign()
        if reign is not None:
            reign.owner.checkpoint()

    def roll_up(self) -> None:
        """The hours that are over; of many that were missed as many as half a minute allows."""
        begun = self._clock()
        while self._reign() is not None and self._clock() - begun < AT_MOST * SECOND:
            if not self._roll_some():
                break
        with self._quietly():
            self._report.behind(self.rollup.behind(self._clock()))

    def _roll_some(self) -> bool:
        """Whether there may be more."""
        with self._quietly(), self._rolling:
            rolled = self.rollup.tick(self._clock())
            if rolled is not None:
                self._report.rolled(rolled)
                return True
        return False

    def roll_up_again(self) -> None:
        """The last day once more, with what came late."""
        now = self._clock()
        until = (now - LATE) // HOUR * HOUR
        for begin in range(until - DAY, until, AT_ONCE * HOUR):
            if self._reign() is not None:
                with self._quietly(), self._rolling:
                    self._report.rolled(self.rollup.once_more(begin, begin + AT_ONCE * HOUR, now))

    def digest(self) -> None:
        if self._reign() is not None:
            with self._quietly():
                for name in self.digests.look(self._clock()):
                    log.info("digest", notice=name)

    def prune(self) -> None:
        """Nothing that hours still need, for as long as the settings hold it."""
        reign, now, kept = self._reign(), self._clock(), self._settings.store
        if reign is None:
            return
        self._store.keyring.forget(before=now - KEEP_DEEDS_DAYS * DAY)
        with self._quietly(), self._rolling:
            before, held = now - kept.keep_events_days * DAY, kept.hold_events_days * DAY
            since = self.rollup.keep_from(before, at_most=held)
            rows = reign.prune(before=since)
            self.rollup.forgot(since)
            self._report.pruned(rows, days=(now - since) // DAY)
            self._report.far_behind(self.rollup.behind(now))

    def _save(self, begin: Instant, figures: Sequence[LineHour], rolled: Instant) -> None:
        self._in_charge().save_hours(begin, figures, rolled=rolled)

    def _say(self, deliveries: Sequence[NewDelivery]) -> None:
        self._in_charge().say(deliveries)

    def _in_charge(self) -> Reign:
        """``LeaseLost``: a review takes its time, and whoever had it made isn't in charge any more."""
        reign = self._reign()
        if reign is None:
            raise LeaseLost
        return reign

    def _quietly(self) -> contextlib.suppress:
        """The next run tries again; the threads that live by the lease say that it is lost."""
        return contextlib.suppress(StoreError, LeaseLost)


def figures_of(reviewing: Reviewing, since: Instant, until: Instant) -> Mapping[str, Any]:
    """The report of a time; of one in which nothing was heard there are no figures."""
    try:
        return reviewing.make(since, until)
    except NothingToReview:
        return {"hours": []}
    except TooManyReviews as many:
        raise StoreError(str(many)) from None  # the same: nothing is wrong with that time, only later
