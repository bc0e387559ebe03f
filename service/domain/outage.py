"""The notice that an outlet can't deliver: what is worth it was decided by whoever sent, this only tells it.

It is told through the other outlets (``routing`` leaves out the one that it is about)."""

from __future__ import annotations

from typing import Literal

from service.domain import standing
from service.domain.events import OutletReport
from service.domain.model import Instant, Notice
from service.domain.notices import Told
from service.domain.said import Said, Value
from service.domain.traffic import Traffic
from service.domain.world import World

KIND = "outlet"
State = Literal["new", "well", "failing", "paused", "gone"]
_GONE = "takes no messages any more"


def apply(world: World, report: OutletReport, at: Instant) -> list[Told]:
    """Its notice opens unless it stands, or closes when it delivers again."""
    if report.state == "well":
        return standing.end(world, KIND, report.outlet, at)
    return standing.begin(world, KIND, report.outlet, sentence(report), at)


def troubled(world: World) -> list[str]:
    """The outlets whose notice stands."""
    standing_now = (each.notice for each in world.standing.values())
    return [
        notice.about for notice in standing_now if notice and notice.kind == KIND and notice.about is not None
    ]


def sentence(report: OutletReport) -> Said:
    why = Said(" ({reason})", {"reason": report.reason}) if report.reason else ""
    values: dict[str, Value] = {"outlet": report.outlet, "why": why}
    if report.state == "gone":
        return Said(
            "Outlet {outlet} takes no messages any more{why}: nothing is sent there until the program is"
            " started again or a delivery is sent again. Tell its people in another way.",
            values,
        )
    return Said(
        "Outlet {outlet} can't be reached{why}: what it should tell waits and is tried again. Tell its people"
        " in another way.",
        values,
    )


def state_of(traffic: Traffic, notice: Notice | None, now: Instant) -> State:
    """How an outlet stands: by its last attempts, and by the notice about it that is open. ``paused``: it
    asked for time; ``gone``: nothing is sent there; ``new``: nothing was yet."""
    if traffic.failing_since is None:
        return "new" if traffic.succeeded_at is None else "well"
    if notice is not None and _GONE in notice.message:
        return "gone"
    return "paused" if now < traffic.paused_until else "failing"
