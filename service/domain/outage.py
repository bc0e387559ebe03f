"""The notice that an outlet can't deliver: what is worth it was decided by whoever sent, this only tells it.

It is told through the other outlets (``routing`` leaves out the one that it is about)."""

from __future__ import annotations

from service.domain import standing
from service.domain.events import OutletReport
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.world import World

KIND = "outlet"


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


def sentence(report: OutletReport) -> str:
    why = f" ({report.reason})" if report.reason else ""
    if report.state == "gone":
        return (
            f"Outlet {report.outlet} takes no messages any more{why}: nothing is sent there until the "
            "program is started again or a delivery is sent again. Tell its people in another way."
        )
    return (
        f"Outlet {report.outlet} can't be reached{why}: what it should tell waits and is tried again. "
        "Tell its people in another way."
    )
