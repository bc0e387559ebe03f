"""What ``/metrics`` says that is known only when it is asked: brought together, then written."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.domain.model import Instant
from service.lease import Lease
from service.ports import StoreError
from service.pulse import Pulse
from service.report import Report
from service.sources import Sources
from service.store import Store
from service.store.measure import measure
from service.store.schema import head
from service.telemetry import Metrics
from service.tls import TlsFileError, expires
from service.usecases.budget import Budget
from service.usecases.show import Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Scrape:
    """``ready``: whether nothing speaks against it; ``lease``: the one held; ``pages``: how many listen;
    ``certificates``: the files of those that we show, by name."""

    metrics: Metrics
    report: Report
    pulse: Pulse
    shown: Shown
    sources: Sources
    store: Store
    budget: Budget
    ready: Callable[[], bool]
    lease: Callable[[], Lease | None]
    pages: Callable[[], int]
    certificates: Mapping[str, str]
    clock: Callable[[], Instant]

    def __post_init__(self) -> None:
        self.report.build(revision=head(), store=self.store.database.reader.url.get_backend_name())

    def render(self) -> bytes:
        """The Prometheus text. What is known without the store is told without it: that is when people
        look."""
        report, now = self.report, self.clock()
        report.beats(self.pulse.ages())
        report.record(self.shown.records())
        report.sources(self.sources.rows())
        for name, file in self.certificates.items():
            with contextlib.suppress(TlsFileError):  # it is being written; the log says when it stays so
                report.certificate(name, expires(file))
        try:
            report.outbox(self.store.outbox.backlog())
            report.budget(self.budget.lately())
            report.measured(measure(self.store.database, now=now), now=now)
        except StoreError:
            report.unmeasured()
            ready = False  # asking once more would only take its time again
        else:
            ready = self.ready()
        report.process(now=now, ready=ready, lease=self.lease(), pages=self.pages())
        return self.metrics.render()
