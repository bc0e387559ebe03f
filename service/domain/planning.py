"""The plan that a line goes by: when it is kept, when it gives way to another."""

from __future__ import annotations

from service.domain.events import PlanKept
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.state import KeptPlan, LineState
from service.domain.world import World, touch_line


def keep(world: World, line: LineState, message: PlanKept, at: Instant) -> list[Told] | None:
    """The line goes by these stops from now on. ``None``: it does already."""
    if line.plan is not None and line.plan.stops == message.stops:
        return None
    line.plan = KeptPlan(at, message.stops)
    touch_line(world, line)
    return []
