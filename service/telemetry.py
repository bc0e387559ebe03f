"""How we report on ourselves: one log event a line, and a closed set of metrics.

Every event has a stable ``action`` word and ids as fields: JSON for machines, ``key=value`` on a terminal.
Libraries that log through the standard library come out in the same form. A metric exists only if it is an
attribute of ``Metrics``, so the names on ``/metrics`` are what this file says.
"""

from __future__ import annotations

import logging
import sys
from typing import TextIO

import structlog
from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
    generate_latest,
)
from structlog.typing import EventDict, WrappedLogger

LEVELS = ("debug", "info", "warning", "error")

# These tell at "info" what we tell ourselves; the HTTP client even tells addresses, which may hold a token.
_QUIETER = {
    "alembic": logging.WARNING,
    "apscheduler": logging.WARNING,
    "httpcore": logging.WARNING,
    "httpx": logging.WARNING,
    "uvicorn": logging.WARNING,
}


def configure_logging(level: str = "info", stream: TextIO | None = None) -> None:
    """Send everything from ``level`` (one of ``LEVELS``) to ``stream`` (standard error unless given)."""
    out = stream or sys.stderr
    threshold = logging.getLevelNamesMapping()[level.upper()]
    for_people = structlog.processors.LogfmtRenderer(bool_as_flag=False)
    for_machines = structlog.processors.JSONRenderer(default=str)
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
            structlog.processors.ExceptionRenderer(),
            _ordered,
            *([_visible, for_people] if out.isatty() else [for_machines]),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(threshold),
        logger_factory=structlog.WriteLoggerFactory(out),
        cache_logger_on_first_use=False,
    )
    logging.basicConfig(level=threshold, handlers=[_Forward()], force=True)
    for name, quieter in _QUIETER.items():
        logging.getLogger(name).setLevel(max(threshold, quieter))


def _ordered(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """The fields a reader looks for first, first."""
    return {"at": event.pop("at"), "level": event.pop("level"), "action": event.pop("event"), **event}


def _visible(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """What acts on a terminal or can't be seen, written out: a gateway may send anything."""
    return {name: _written_out(value) for name, value in event.items()}


def _written_out(value: object) -> object:
    if not isinstance(value, str) or value.isprintable():
        return value
    # The line ends of a stack trace are the renderer's to write out.
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in value)


class _Forward(logging.Handler):
    """What libraries log, as one of our events."""

    def emit(self, record: logging.LogRecord) -> None:
        structlog.get_logger().log(
            record.levelno,
            "library",
            logger=record.name,
            message=record.getMessage(),
            **({"exc_info": record.exc_info} if record.exc_info else {}),
        )


class Metrics:
    """Everything that is counted, in a registry of its own. Labels are closed sets or names from the
    configuration, never names from the floor: those have no bound."""

    def __init__(self) -> None:
        # A creation time beside each series doubles the text and tells nothing that we use.
        disable_created_metrics()  # type: ignore[no-untyped-call]
        registry = CollectorRegistry()
        ProcessCollector(registry=registry)
        self.registry = registry

        self.received = Counter(
            "earlybell_messages_received",
            "Messages from the floor, by kind (count, supply, recipe, order, tower, link).",
            ["kind"],
            registry=registry,
        )
        self.refused = Counter(
            "earlybell_messages_refused", "Messages that didn't fit and were set aside.", registry=registry
        )
        self.repeats = Counter(
            "earlybell_messages_repeated", "Messages that had been applied before.", registry=registry
        )
        self.source_messages = Counter(
            "earlybell_source_messages", "Messages of a source.", ["source"], registry=registry
        )
        self.source_refused = Counter(
            "earlybell_source_refused",
            "Messages of a source that didn't fit and were set aside.",
            ["source"],
            registry=registry,
        )
        self.source_repeats = Counter(
            "earlybell_source_repeats",
            "What a source said that had been said before.",
            ["source"],
            registry=registry,
        )
        self.source_connected = Gauge(
            "earlybell_source_connected",
            "1 while a source's broker is reached.",
            ["source"],
            registry=registry,
        )
        self.source_last_heard = Gauge(
            "earlybell_source_last_heard_timestamp_seconds",
            "When the last message of a source was stored.",
            ["source"],
            registry=registry,
        )
        self.source_missing = Gauge(
            "earlybell_source_missing",
            "Messages that are missing now by the seq of the stations that a source counts.",
            ["source"],
            registry=registry,
        )
        self.source_gaps = Gauge(
            "earlybell_source_gaps",
            "Times that the numbering of a source's own format showed messages to be missing.",
            ["source"],
            registry=registry,
        )
        self.inbound_waiting = Gauge(
            "earlybell_inbound_waiting",
            "Messages received, not yet taken into a batch.",
            registry=registry,
        )
        self.batch_events = Histogram(
            "earlybell_batch_events",
            "Events in one commit.",
            buckets=(1, 2, 5, 10, 20, 50, 100, 200),
            registry=registry,
        )
        self.commit_seconds = Histogram(
            "earlybell_commit_seconds",
            "Time to make one batch durable.",
            buckets=(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5),
            registry=registry,
        )
        self.last_commit = Gauge(
            "earlybell_last_commit_timestamp_seconds", "When the last batch was durable.", registry=registry
        )
        self.resends_asked = Counter(
            "earlybell_resends_asked",
            "Times a gateway was asked to send missing messages again.",
            registry=registry,
        )
        self.sessions_lost = Counter(
            "earlybell_broker_sessions_lost",
            "Times the broker had forgotten what it kept for us.",
            registry=registry,
        )
        self.heartbeat_age = Gauge(
            "earlybell_heartbeat_age_seconds", "Since a thread last moved.", ["thread"], registry=registry
        )
        self.forecasts_published = Counter(
            "earlybell_forecasts_published", "Forecasts sent to the broker.", registry=registry
        )
        self.notices_open = Gauge("earlybell_notices_open", "Notices that are not closed.", registry=registry)
        self.deliveries = Counter(
            "earlybell_deliveries",
            "Attempts to deliver, by outlet and outcome (sent, waiting, dead, replaced, put off, lost).",
            ["outlet", "outcome"],
            registry=registry,
        )
        self.delivery_seconds = Histogram(
            "earlybell_delivery_seconds",
            "Time of one attempt to deliver.",
            ["outlet"],
            buckets=(0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 15),
            registry=registry,
        )
        self.outbox_waiting = Gauge(
            "earlybell_outbox_waiting", "Deliveries that wait, by outlet.", ["outlet"], registry=registry
        )
        self.outbox = Gauge(
            "earlybell_outbox_deliveries",
            "Deliveries that aren't over, by outlet and state (waiting, sending), and those given up (dead).",
            ["outlet", "state"],
            registry=registry,
        )
        self.warnings_judged = Gauge(
            "earlybell_warnings_judged",
            "Warnings of which it is known how they went, by kind of supply, since the beginning.",
            ["kind"],
            registry=registry,
        )
        self.warnings_late = Gauge(
            "earlybell_warnings_late",
            "Of those, that gave fewer panels than asked; a refill before counts by its chance of it.",
            ["kind"],
            registry=registry,
        )
        self.warnings_apart = Gauge(
            "earlybell_warnings_apart", "Warnings that couldn't come earlier.", ["kind"], registry=registry
        )
        self.ends_seen = Gauge(
            "earlybell_ends_seen", "Supplies that ran empty after a warning.", ["kind"], registry=registry
        )
        self.ends_covered = Gauge(
            "earlybell_ends_covered",
            "Of those, that ended inside the 90 % interval of the warning's forecast.",
            ["kind"],
            registry=registry,
        )
        self.messages_last_hour = Gauge(
            "earlybell_messages_last_hour",
            "Messages that an outlet sent within the last hour; what went out together is one.",
            ["outlet"],
            registry=registry,
        )
        self.message_flood = Gauge(
            "earlybell_message_flood",
            "1 while a person gets more messages than people can follow (more than 10 in ten minutes, until"
            " fewer than 5).",
            ["who"],
            registry=registry,
        )
        self.notices_stale = Gauge(
            "earlybell_notices_stale",
            "Notices that have been open for more than 24 hours.",
            registry=registry,
        )
        self.notices_chattering = Gauge(
            "earlybell_notices_chattering",
            "Things that were told of three times within a minute, in the last 24 hours.",
            registry=registry,
        )
        self.heartbeats_out = Counter(
            "earlybell_heartbeats_out",
            "Signs of life to the monitor, by outcome (sent, failed).",
            ["outcome"],
            registry=registry,
        )
        self.hours_rolled = Counter(
            "earlybell_hours_rolled",
            "Reviews from which hourly figures were kept, by outcome (rolled, failed).",
            ["outcome"],
            registry=registry,
        )
        self.hours_behind = Gauge(
            "earlybell_hours_behind_seconds",
            "How far the hourly figures are behind; the journal is held for them.",
            registry=registry,
        )
        self.in_charge = Gauge(
            "earlybell_in_charge",
            "1 while this instance is the active one, 0 while it stands by.",
            registry=registry,
        )
        self.broker_connected = Gauge(
            "earlybell_broker_connected",
            "1 while connected with every subscription acknowledged.",
            registry=registry,
        )

    def render(self) -> bytes:
        """The Prometheus text of ``/metrics``."""
        return generate_latest(self.registry)
