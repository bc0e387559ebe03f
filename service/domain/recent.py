"""Times that people ask about: the shift that runs, and those before it."""

from __future__ import annotations

from service.domain.calendar import fits, shift_at, spans_of
from service.domain.model import SECOND, Instant, Span
from service.domain.policy import Policy

_WEEK: Instant = 7 * 24 * 3600 * SECOND
_EIGHT_HOURS: Instant = 8 * 3600 * SECOND
_MINUTE: Instant = 60 * SECOND
_MOST = 24


def recent(policy: Policy, line: str | None, at: Instant) -> list[Span]:
    """Shifts of the line, or of all, that ended in the last week, and the one that runs, which ends after
    ``at``; the latest first. Where there is none eight hours until the last full minute."""
    shifts = [each for each in policy.shifts if fits(each, line)]
    found = {span for shift in shifts for span in spans_of(policy, shift, at - _WEEK, at)}
    if (runs := shift_at(policy, line, at)) is not None:
        found.add(runs)
    end = at // _MINUTE * _MINUTE
    return sorted(found, reverse=True)[:_MOST] if found else [(end - _EIGHT_HOURS, end)]
