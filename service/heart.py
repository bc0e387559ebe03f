"""Says that we live: to a monitor every few minutes, to people once a day; only while this instance is in
charge and ready, so that silence means trouble. Called by the scheduler each second.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from service import outside
from service.domain.model import SECOND, Instant
from service.lease import LeaseLost
from service.outgoing import Alive
from service.outlets import Monitor
from service.ports import Delivered, Failed, NewDelivery, StoreError
from service.usecases.awake import Morning
from service.ways import Ways

WELL = frozenset({"well", "new"})


@dataclass(slots=True, kw_only=True)
class Pacemaker:
    """``report`` is told how each beat went, and whether that differs from the one before."""

    monitor: Monitor
    every: Instant
    report: Callable[..., None]
    due_at: Instant = 0
    failing: bool | None = None
    beat_at: Instant | None = None
    failed_at: Instant | None = None
    error: str | None = None

    def tick(self, now: Instant, ready: Callable[[], bool]) -> None:
        waits = self.due_at - self.every <= now < self.due_at  # else the clock was set back
        if waits or not ready():
            return
        self.due_at = now + self.every
        outcome: Delivered | Failed = self.monitor.beat(now)
        failed = isinstance(outcome, Failed)
        if isinstance(outcome, Failed):
            self.failed_at, self.error = now, outcome.reason
        else:
            self.beat_at = now
        self.report(outcome, turned=failed != self.failing)
        self.failing = failed


class Heart:
    """Raises ``OutletError`` when the monitor's address can't be used."""

    def __init__(
        self,
        ways: Ways,
        *,
        say: Callable[[Sequence[NewDelivery]], object],
        ready: Callable[[], bool],
    ) -> None:
        """``say`` enqueues, under the lease; ``ready``: we are in charge and well."""
        settings, report, self._clock, self._ready = ways.settings, ways.report, ways.clock, ready
        beat, monitor = settings.heartbeat, outside.monitor(settings)
        every = round(beat.every_minutes * 60 * SECOND)
        self._pace = None
        if monitor is not None and report is not None:
            self._pace = Pacemaker(monitor=monitor, every=every, report=report.beat_out)
        self._morning = (
            None
            if beat.at is None
            else Morning(
                wall=beat.at,
                zone=ZoneInfo(settings.site.timezone),
                site=settings.site.name,
                outlets=beat.outlets or (),
                archive=ways.archive,
                troubled=lambda: [each.name for each in ways.rows() if each.state not in WELL],
                add=say,
            )
        )

        ways.alive_now = self._alive

    def _alive(self, known: Alive) -> Alive:
        pace, morning = self._pace, self._morning
        if pace is not None:
            known = replace(known, beat_at=pace.beat_at, failed_at=pace.failed_at, error=pace.error)
        return known if morning is None else replace(known, said_on=morning.said_on or None)

    @property
    def beats(self) -> bool:
        """Whether there is anything to do."""
        return self._pace is not None or self._morning is not None

    def tick(self) -> None:
        now = self._clock()
        if self._morning is not None and self._morning.is_due(now) and self._ready():
            # The next tick tries again; the threads that live by the lease say that it is lost.
            with contextlib.suppress(StoreError, LeaseLost):
                self._morning.say(now)
        if self._pace is not None:
            self._pace.tick(now, self._ready)
