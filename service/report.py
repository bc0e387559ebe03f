"""What our own working is told to log and metrics: commits, askings, heartbeats. Decides nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import structlog

from service.domain import gateways
from service.domain.history import Record, kind_name
from service.domain.hourly import HOUR
from service.domain.model import SECOND, Instant, to_rfc3339
from service.incoming import SourceRow
from service.outgoing import DeliveryRow, Tested
from service.ports import Delivered, Failed
from service.sent import Lately
from service.telemetry import Metrics
from service.usecases.batch import Committed, Heard
from service.usecases.deliver import Attempt, StoreTrouble
from service.usecases.resend import Asked
from service.usecases.rollup import LOUD, Rolled

log = structlog.get_logger()


class Report:
    """Safe from any thread."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics

    def committed(self, committed: Sequence[Committed], *, seconds: float, items: int) -> None:
        metrics = self._metrics
        metrics.commit_seconds.observe(seconds)
        metrics.batch_events.observe(items)
        metrics.last_commit.set_to_current_time()
        for each in committed:
            for source, heard in each.heard.items():
                self._heard(gateways.called(source), heard)
            for kind, number in each.counts.items():
                if kind == "refused":
                    metrics.refused.inc(number)
                elif number:
                    metrics.received.labels(kind=kind).inc(number)
            for told in each.told:
                notice = told.notice
                log.info(
                    "notice",
                    notice=notice.id,
                    change=told.change.value,
                    notice_kind=notice.kind,
                    notice_level=notice.level,
                    state=notice.state,
                    line=notice.line,
                    station=notice.station,
                    slot=notice.slot,
                    because=notice.closed_because,
                )

    def _heard(self, source: str, heard: Heard) -> None:
        metrics = self._metrics
        metrics.repeats.inc(heard.repeats)
        metrics.source_messages.labels(source=source).inc(heard.messages)
        metrics.source_repeats.labels(source=source).inc(heard.repeats)
        metrics.source_refused.labels(source=source).inc(heard.refused)

    def sources(self, rows: Sequence[SourceRow]) -> None:
        """How those are heard that this instance listens to."""
        metrics = self._metrics
        for row in rows:
            if row.now is None:
                continue
            metrics.source_connected.labels(source=row.name).set(row.now.connected)
            metrics.source_missing.labels(source=row.name).set(row.now.counted.missing)
            if row.now.heard.heard_at is not None:
                metrics.source_last_heard.labels(source=row.name).set(row.now.heard.heard_at / SECOND)
            if row.now.gaps is not None:
                metrics.source_gaps.labels(source=row.name).set(row.now.gaps)

    def attempted(self, event: Attempt | StoreTrouble) -> None:
        if isinstance(event, StoreTrouble):
            log.warning("outbox_trouble", error=event.error)
            return
        self._metrics.deliveries.labels(outlet=event.outlet, outcome=event.outcome).inc()
        self._metrics.delivery_seconds.labels(outlet=event.outlet).observe(event.seconds)
        say = log.info if event.outcome in {"sent", "replaced"} else log.warning
        say(
            "delivery",
            outlet=event.outlet,
            outcome=event.outcome,
            delivery=event.key,
            notice=event.notice,
            attempts=event.attempts,
            age=round(event.age, 3),
            error=event.error,
        )

    def record(self, records: Sequence[Record]) -> None:
        """How the promise of the warnings stands, by kind of supply."""
        metrics = self._metrics
        for each in records:
            kind = kind_name(each.kind)
            metrics.warnings_judged.labels(kind=kind).set(each.judged)
            metrics.warnings_late.labels(kind=kind).set(each.late)
            metrics.warnings_apart.labels(kind=kind).set(each.apart)
            metrics.ends_seen.labels(kind=kind).set(each.ended)
            metrics.ends_covered.labels(kind=kind).set(each.covered)

    def budget(self, lately: Lately) -> None:
        """How much people are told; who is gone from the settings is no number of before."""
        metrics = self._metrics
        metrics.messages_last_hour.clear()
        metrics.message_flood.clear()
        for outlet, messages in lately.messages.items():
            metrics.messages_last_hour.labels(outlet=outlet).set(messages)
        for who, flooded in lately.floods.items():
            metrics.message_flood.labels(who=who).set(flooded)
        metrics.notices_stale.set(lately.stale)
        metrics.notices_chattering.set(lately.chattering)

    def sent_again(self, row: DeliveryRow, by: str) -> None:
        log.info("delivery_again", delivery=row.id, outlet=row.outlet, notice=row.notice, by=by)

    def beat_out(self, outcome: Delivered | Failed, *, turned: bool) -> None:
        """A sign of life to the monitor; ``turned``: it went otherwise than the one before."""
        failed = isinstance(outcome, Failed)
        self._metrics.heartbeats_out.labels(outcome="failed" if failed else "sent").inc()
        if isinstance(outcome, Failed) and turned:
            log.warning("heartbeat_out_fails", error=outcome.reason)
        elif turned:
            log.info("heartbeat_out_well")

    def rolled(self, rolled: Rolled) -> None:
        """Hours were rolled up, or couldn't be."""
        self._metrics.hours_rolled.labels(outcome="failed" if rolled.error else "rolled").inc()
        if rolled.error is not None:
            log.warning("hours_not_rolled_up", since=to_rfc3339(rolled.since), error=rolled.error)
        elif rolled.hours:
            log.info("hours_rolled_up", since=to_rfc3339(rolled.since), hours=rolled.hours)

    def behind(self, behind: Instant) -> None:
        """How far the hourly figures are behind."""
        self._metrics.hours_behind.set(behind / SECOND)

    def far_behind(self, behind: Instant) -> None:
        """Once a day: the journal is held for them, but not for ever."""
        if behind > LOUD:
            log.error("hours_far_behind", days=behind // (24 * HOUR), journal="is held for them")

    def digest_failed(self, error: Exception) -> None:
        log.error("digest_without_losses", error=f"{type(error).__name__}: {error}")

    def plan_failed(self, line: str, error: Exception) -> None:
        log.error("plan_failed", line=line, error=f"{type(error).__name__}: {error}")

    def tested(self, tested: Tested, by: str | None) -> None:
        say = log.info if tested.delivered else log.warning
        say(
            "outlet_tested",
            outlet=tested.outlet,
            delivered=tested.delivered,
            error=tested.reason,
            seconds=round(tested.seconds, 3),
            by=by,
        )

    def outbox(self, backlog: Mapping[tuple[str, str], int]) -> None:
        """What is in the outbox now; what isn't there any more is no number of before."""
        self._metrics.outbox_waiting.clear()
        self._metrics.outbox.clear()
        for (outlet, state), rows in backlog.items():
            self._metrics.outbox.labels(outlet=outlet, state=state).set(rows)
            if state == "waiting":
                self._metrics.outbox_waiting.labels(outlet=outlet).set(rows)

    def asked(self, asked: Asked) -> None:
        self._metrics.resends_asked.inc()
        log.info(
            "resend_asked",
            line=asked.line,
            station=asked.station,
            session=asked.session,
            first=asked.first,
            to=asked.to,
            times=asked.times,
            given_up=asked.last,
        )

    def beats(self, ages: Mapping[str, float]) -> None:
        for name, age in ages.items():
            self._metrics.heartbeat_age.labels(thread=name).set(age)
