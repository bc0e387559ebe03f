"""Times that people ask about: the shift that runs, and those before it."""

from __future__ import annotations

from fnmatch import fnmatchcase

from service.domain.calendar import shift_at, spans_of
from service.domain.model import SECOND, Instant
from service.domain.policy import Policy

Span = tuple[Instant, Instant]
_WEEK: Instant = 7 * 24 * 3600 * SECOND
_EIGHT_HOURS: Instant = 8 * 3600 * SECOND
_MINUTE: Instant = 60 * SECOND
MOST = 24


def recent(policy: Policy, line: str | None, at: Instant) -> list[Span]:
    """Shifts of the line, or of all, that began in the last week, the latest first; one that runs ends after
    ``at``. Where none is configured eight hours until now."""
    shifts = [each for each in policy.shifts if line is None or fnmatchcase(line, each.line or "*")]
    found = {span for shift in shifts for span in spans_of(policy, shift, at - _WEEK, at)}
    if (runs := shift_at(policy, line, at)) is not None:
        found.add(runs)
    end = at // _MINUTE * _MINUTE
    return sorted(found, reverse=True)[:MOST] if found else [(end - _EIGHT_HOURS, end)]
