"""What our own working is told to log and metrics: commits, askings, heartbeats. Decides nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import structlog

from service.telemetry import Metrics
from service.usecases.ingest import Committed
from service.usecases.resend import Asked

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
            metrics.repeats.inc(each.repeats)
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
