"""What our own working is told to log and metrics: commits, deliveries, requests. Decides nothing.

Whoever follows one thing goes from the message or the request (``event``, the number of its journal entry) to
the ``notice`` and its ``deliveries``, and from there by ``notice`` or ``delivery`` to each attempt.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from math import nan
from platform import python_version
from typing import Any

import structlog
from prometheus_client import Gauge

from service.domain import gateways
from service.domain.history import Record, kind_name
from service.domain.hourly import HOUR
from service.domain.model import SECOND, Instant, to_rfc3339
from service.incoming import SourceRow
from service.lease import Lease
from service.outgoing import DeliveryRow, Tested
from service.ports import Delivered, Failed
from service.sent import Lately
from service.store.measure import Measured
from service.telemetry import Metrics
from service.telemetry.metrics import ANSWERS, LEVELS, METHODS
from service.telemetry.sparing import Sparing
from service.tracing import Served
from service.usecases.batch import Committed, Entered, Heard, delivery_key
from service.usecases.deliver import Attempt, StoreTrouble
from service.usecases.resend import Asked
from service.usecases.rollup import LOUD, Rolled

log = structlog.get_logger()
_PROBES = {"/healthz", "/readyz"}
_TURNED_AWAY = {401, 403, 413, 429, 431, 503}
_LONGEST = 300
"""Characters of what comes from outside that a log line repeats."""


class Report:
    """Safe from any thread."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics
        self._refused = Sparing(log.warning, "refused", "refused_more")
        self._turned_away = Sparing(log.warning, "request_refused", "request_refused_more")

    def look(self) -> None:
        """Now and then: say what was held back."""
        now = time.monotonic()
        self._refused.look(now)
        self._turned_away.look(now)

    def committed(
        self, committed: Sequence[Committed], *, seconds: float, items: int, waited: float | None = None
    ) -> None:
        """``waited``: from when the first of its messages was received."""
        metrics = self._metrics
        if waited is not None:
            metrics.received_to_committed.observe(waited)
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
            self._follow(each)

    def _follow(self, committed: Committed) -> None:
        for act in committed.acts:
            log.info(
                "entered",
                request=act.request,
                event_id=act.event,
                event_kind=act.kind,
                subject=act.subject,
            )
        for told, cause in zip(committed.told, committed.causes, strict=True):
            notice = told.notice
            log.info(
                "notice",
                notice=notice.id,
                version=notice.version,
                change=told.change.value,
                notice_kind=notice.kind,
                notice_level=notice.level,
                state=notice.state,
                line=notice.line,
                station=notice.station,
                slot=notice.slot,
                because=notice.closed_because,
                deliveries=[delivery_key(told, outlet) for outlet in told.outlets or ()],
                **_origin(cause),
            )
        for refused in committed.refused:
            self._refused.note(
                time.monotonic(),
                topic=refused.topic[:_LONGEST],
                reason=refused.reason[:_LONGEST],
                source=gateways.called(refused.source),
            )

    def _heard(self, source: str, heard: Heard) -> None:
        metrics = self._metrics
        metrics.repeats.inc(heard.repeats)
        metrics.elsewhere.inc(heard.elsewhere)
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
            metrics.source_clocks.labels(source=row.name).set(len(row.now.counted.flagged))
            if row.now.gaps is not None:
                metrics.source_gaps.labels(source=row.name).set(row.now.gaps)

    def attempted(self, event: Attempt | StoreTrouble) -> None:
        if isinstance(event, StoreTrouble):
            log.warning("outbox_trouble", error=event.error)
            return
        self._metrics.deliveries.labels(outlet=event.outlet, outcome=event.outcome).inc()
        if event.outcome in {"sent", "waiting", "dead"}:
            self._metrics.delivery_seconds.labels(outlet=event.outlet).observe(event.seconds)
        if event.outcome == "sent":
            self._metrics.due_to_delivered.labels(outlet=event.outlet).observe(event.age)
        say = log.info if event.outcome in {"sent", "replaced"} else log.warning
        say(
            "delivery",
            outlet=event.outlet,
            outcome=event.outcome,
            delivery=event.key,
            notice=event.notice,
            attempts=event.attempts,
            seconds=round(event.seconds, 3),
            age=round(event.age, 3),
            disables=event.disables,
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
        """How much people are told."""
        metrics = self._metrics
        _only(metrics.messages_last_hour, lately.messages)
        _only(metrics.message_flood, lately.floods)
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
        self._metrics.rollups.labels(outcome="failed" if rolled.error else "rolled").inc()
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
        """What is in the outbox now."""
        waiting = {outlet: rows for (outlet, state), rows in backlog.items() if state == "waiting"}
        _only(self._metrics.outbox, backlog)
        _only(self._metrics.outbox_waiting, waiting)

    def build(self, *, revision: str, store: str) -> None:
        """What runs here."""
        self._metrics.build.labels(
            version=version("earlybell"), revision=revision, store=store, python=python_version()
        ).set(1)

    def process(self, *, now: Instant, ready: bool, lease: Lease | None, pages: int) -> None:
        metrics = self._metrics
        metrics.clock.set(now / SECOND)
        metrics.ready.set(ready)
        metrics.lease_term.set(0 if lease is None else lease.term)
        metrics.live_pages.set(pages)

    def measured(self, measured: Measured, *, now: Instant) -> None:
        """How the store was found."""
        metrics = self._metrics
        metrics.store_reachable.set(1)
        metrics.store_size.set(measured.size)
        metrics.store_free.set(nan if measured.free is None else measured.free)
        metrics.journal_entries.set(measured.entries)
        metrics.journal_oldest.set(nan if measured.oldest is None else measured.oldest / SECOND)
        for level in LEVELS:
            metrics.notices_open.labels(level=level).set(measured.notices.get(level, 0))
        waits = {outlet: max(0, now - since) / SECOND for outlet, since in measured.waits.items()}
        _only(metrics.outbox_oldest, waits)

    def unmeasured(self) -> None:
        """The store couldn't be read."""
        self._metrics.store_reachable.set(0)

    def certificate(self, name: str, expires: float) -> None:
        self._metrics.certificate_expires.labels(certificate=name).set(expires)

    def connected(self, source: str) -> None:
        """A connection to a broker stands."""
        self._metrics.broker_connects.labels(source=gateways.called(source)).inc()

    def pruned(self, rows: int, *, days: int) -> None:
        self._metrics.pruned.inc(rows)
        self._metrics.last_prune.set_to_current_time()
        log.info("pruned", rows=rows, older_than_days=days)

    def planned(self, seconds: float) -> None:
        self._metrics.plan_seconds.observe(seconds)

    def served(self, served: Served) -> None:
        """A request was answered. Who changes something stands in the log, who is turned away within bounds,
        who reads only where everything is logged; probes are no requests of anybody."""
        if served.path in _PROBES:
            return
        method = served.method if served.method in METHODS else METHODS[-1]
        answer = ANSWERS[-1] if served.answer is None else f"{served.answer // 100}xx"
        self._metrics.http_requests.labels(method=method, answer=answer).inc()
        self._metrics.http_seconds.observe(served.seconds)
        fields = {
            "request": served.request,
            "method": method,
            "path": served.path[:_LONGEST],
            "answer": served.answer,
            "who": served.who,
            "who_kind": served.kind,
            "by": served.by,
            "address": served.address,
            "seconds": round(served.seconds, 3),
        }
        if served.answer in _TURNED_AWAY:
            told = {name: fields[name] for name in ("method", "answer", "who", "address")}
            self._turned_away.note(time.monotonic(), **told)
            log.debug("request", **fields)
        elif served.answer is not None and served.answer >= 500:
            log.warning("request", **fields)
        elif served.changes:
            log.info("request", **fields)
        else:
            log.debug("request", **fields)

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
        _only(self._metrics.heartbeat_age, ages)


def _only(metric: Gauge, values: Mapping[str, float] | Mapping[tuple[str, str], float]) -> None:
    """What isn't there any more is no number of before; what is there is so at each moment, because somebody
    else may ask meanwhile."""
    gone = {tuple(sample.labels.values()) for family in metric.collect() for sample in family.samples}
    for key, value in values.items():
        labels = (key,) if isinstance(key, str) else key
        metric.labels(*labels).set(value)
        gone.discard(labels)
    for each in gone:
        metric.remove(*each)


def _origin(cause: Entered) -> dict[str, Any]:
    """What of it is known: a message has a topic, a count its numbers, a person's deed a request."""
    return {
        "event_id": cause.event,
        "event_kind": cause.kind,
        "event_at": to_rfc3339(cause.at),
        "subject": cause.subject,
        **({} if cause.source is None else {"source": gateways.called(cause.source)}),
        **({} if cause.topic is None else {"topic": cause.topic[:_LONGEST]}),
        **({} if cause.seq is None else {"session": cause.session, "seq": cause.seq}),
        **({"request": cause.request} if cause.request else {}),
    }
