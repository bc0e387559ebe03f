"""How many panels and parts ago something was: the station's last takts, walked back in working time."""

from __future__ import annotations

from service.domain import clock
from service.domain.calendar import Hours, worked
from service.domain.model import SECOND, Instant
from service.domain.state import SlotState, StationState


def panels_since(station: StationState, happened: Instant, hours: Hours | None) -> int:
    """Whole panels completed after ``happened``, beyond the last takts at the oldest one's pace. 0 where the
    takt isn't known."""
    last = clock.last_panel(station)
    if last is None or last <= happened or not station.takts:
        return 0
    span, panels, known = worked(hours, happened, last), 0, station.takts[::-1]
    while span > 0 and panels < len(known):
        span -= round(known[panels] * SECOND)
        panels += 1
    return panels + max(span, 0) // max(1, round(station.takts[0] * SECOND))


def used_since(
    station: StationState, slot: SlotState, usage: float | None, happened: Instant, hours: Hours | None
) -> int:
    """Parts of what was counted that were used after ``happened``, to the panel. 0 where takt or usage aren't
    known."""
    if not usage:
        return 0
    return min(slot.counted, round(panels_since(station, happened, hours) * usage))
