"""How an event is logged: one line, with its stable ``action`` word and ids as fields.

JSON for machines, ``key=value`` on a terminal. Libraries that log through the standard library come out in
the same form. What is logged while a request is served bears its id.
"""

from __future__ import annotations

import logging
import sys
from typing import TextIO

import structlog
from structlog.typing import EventDict, WrappedLogger

from service.tracing import REQUEST

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
            _of_request,
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


def _of_request(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    request = REQUEST.get()
    return {"request": request, **event} if request else event


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
