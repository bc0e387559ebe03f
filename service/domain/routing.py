"""Who hears of a notice: the outlets named by the routes that fit it; without any route every outlet."""

from __future__ import annotations

from datetime import time
from fnmatch import fnmatchcase
from zoneinfo import ZoneInfo

from service.domain.model import Instant, Level, Notice, to_datetime
from service.domain.policy import Policy, Route


def route(policy: Policy, notice: Notice, at: Instant, *, calls: bool = True) -> list[str]:
    """Outlet names, each once, in the order of the configuration. ``calls``: it calls for somebody."""
    if not policy.routes:
        return [outlet for outlet in policy.outlets if not _is_about(notice, outlet)]
    hearing = {
        outlet
        for each in policy.routes
        if _fits(each, notice, at, policy.timezone) and (calls or each.tells != "calls")
        for outlet in each.outlets
    }
    return [outlet for outlet in policy.outlets if outlet in hearing and not _is_about(notice, outlet)]


def _is_about(notice: Notice, outlet: str) -> bool:
    """That an outlet can't deliver is never told through that outlet."""
    return notice.kind == "outlet" and notice.about == outlet


def _fits(route: Route, notice: Notice, at: Instant, timezone: str) -> bool:
    return (
        (route.line is None or fnmatchcase(notice.line or "", route.line))
        and (route.kind is None or route.kind in (notice.kind, notice.supply_kind))
        and (route.severity is None or Level(notice.level).rank >= Level(route.severity).rank)
        and (route.hours is None or within_hours(route.hours, at, timezone))
    )


def within_hours(hours: str, at: Instant, timezone: str) -> bool:
    """Whether the local time of ``at`` lies in ``06:00-14:00``; a span may pass midnight."""
    begin, end = (time.fromisoformat(part.strip()) for part in hours.split("-", 1))
    now = to_datetime(at).astimezone(ZoneInfo(timezone)).time()
    return begin <= now < end if begin <= end else now >= begin or now < end
