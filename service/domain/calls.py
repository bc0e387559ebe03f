"""What a notice that nobody takes does: it is said once more, and the next in line hears of it too.

Who hears of a change is decided here as well, once for each, so that it is part of what is remembered: the
people are named in the notice. A call begins anew whenever the notice calls for somebody.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import msgspec

from service.domain import outage, standing
from service.domain.model import SECOND, Change, Instant, Notice, NoticeState
from service.domain.notices import Told
from service.domain.policy import Policy, Route
from service.domain.routing import fits, hearing
from service.domain.state import Call, SlotState, Standing
from service.domain.world import Place, World

_MINUTE = 60 * SECOND


@dataclass(frozen=True, slots=True)
class Steps:
    """How often it should have been said again by now, and how many more should have heard of it."""

    reminded: int
    escalated: int


def address(world: World, told: list[Told], at: Instant) -> list[Told]:
    """Each with those who hear of it; from what calls for somebody the time of its call runs."""
    if not told:
        return told
    failing = outage.troubled(world)
    return [each if each.outlets is not None else _addressed(world, each, at, failing) for each in told]


def _addressed(world: World, told: Told, at: Instant, failing: list[str]) -> Told:
    notice = told.notice
    own = hearing(world.policy, notice, at, calls=told.calls, change=told.change, failing=failing)
    bearer = _bearer_of(world, notice)
    known = () if bearer is None or bearer.notice is None else bearer.notice.hears
    hears = tuple(dict.fromkeys((*notice.hears, *known, *(own.people if told.calls else ()))))
    if bearer is not None and bearer.notice is not None:
        bearer.notice = _heard_by(bearer.notice, hears)
        if told.calls:
            progress = standing.progress(world, notice.line or "", notice.station or "")
            bearer.call = Call(at, progress, notice.escalated)
    return replace(told, notice=_heard_by(notice, hears), outlets=own.outlets)


def _heard_by(notice: Notice, hears: tuple[str, ...]) -> Notice:
    return notice if notice.hears == hears else msgspec.structs.replace(notice, hears=hears)


def _bearer_of(world: World, notice: Notice) -> SlotState | Standing | None:
    stands = world.standing.get(notice.id)
    if stands is not None:
        return stands
    place = world.notices.get(notice.id)
    return None if place is None else world.stations[place[:2]].slots[place[2]]


def settle(world: World, place: Place, at: Instant) -> list[Told]:
    """What is due because panels passed at a station, or time did."""
    if not _repeats(world.policy):
        return []
    told: list[Told] = []
    for bearer in list(_calling(world, place)):
        told += _again(world, place, bearer, at)
    return told


def settle_all(world: World, at: Instant) -> list[Told]:
    return [each for place in _places(world) for each in settle(world, place, at)]


def instead(world: World, outlet: str, at: Instant) -> list[Told]:
    """What nobody has taken, for those who would have heard of it through an outlet that fails now."""
    failing = outage.troubled(world)
    before = [name for name in failing if name != outlet]
    told: list[Told] = []
    for place in _places(world):
        for bearer in _calling(world, place):
            notice = bearer.notice
            if notice is None or notice.about == outlet:
                continue
            heard = hearing(world.policy, notice, at, failing=before).outlets
            now = hearing(world.policy, notice, at, failing=failing).outlets
            if others := tuple(name for name in now if name not in heard):
                told.append(Told(notice, Change.OPENED, outlets=others))
    return told


def next_moment(world: World) -> Instant | None:
    """When time alone makes something due next."""
    if not _repeats(world.policy):
        return None
    moments = [
        moment
        for place in _places(world)
        for bearer in _calling(world, place)
        if (moment := _due_at(world.policy, bearer)) is not None
    ]
    return min(moments, default=None)


def _repeats(policy: Policy) -> bool:
    return any(route.repeats for route in policy.routes)


def _places(world: World) -> list[Place]:
    return sorted({*world.watched, *world.standing_at})


def _calling(world: World, place: Place) -> Iterator[SlotState | Standing]:
    for name in sorted(world.watched.get(place, ())):
        slot = world.stations[place].slots[name]
        if _is_calling(slot):
            yield slot
    for name in sorted(world.standing_at.get(place, ())):
        if _is_calling(world.standing[name]):
            yield world.standing[name]


def _is_calling(bearer: SlotState | Standing) -> bool:
    """A question is asked once and waits."""
    notice = bearer.notice
    return notice is not None and notice.state == NoticeState.OPEN and notice.kind != "question"


def _again(world: World, place: Place, bearer: SlotState | Standing, at: Instant) -> list[Told]:
    notice, call = bearer.notice, bearer.call
    ruling = _ruling(world.policy, bearer)
    if notice is None or call is None or ruling is None:
        return []
    passed = standing.progress(world, *place) - call.progress
    due = _steps(ruling, call, at - call.since, passed)
    if due.reminded <= notice.reminded and due.escalated <= notice.escalated:
        return []
    failing = outage.troubled(world)
    again = msgspec.structs.replace(
        notice,
        reminded=max(notice.reminded, due.reminded),
        escalated=max(notice.escalated, due.escalated),
    )
    own = hearing(world.policy, again, at, change=Change.REMINDED, failing=failing)
    known = set(world.policy.programs)  # they are told changes alone
    if due.reminded <= notice.reminded:
        known.update(hearing(world.policy, notice, at, failing=failing).outlets)
    outlets = tuple(name for name in own.outlets if name not in known)
    again = _heard_by(again, tuple(dict.fromkeys((*notice.hears, *own.people))))
    _keep(world, place, bearer, again)
    return [Told(again, Change.REMINDED, outlets=outlets)]


def _keep(world: World, place: Place, bearer: SlotState | Standing, notice: Notice) -> None:
    bearer.notice = notice
    if isinstance(bearer, Standing):
        world.stand(bearer)
    else:
        world.station(*place)


def _ruling(policy: Policy, bearer: SlotState | Standing) -> Route | None:
    """The first of the routes that fit it when it called and say what happens while nobody takes it."""
    notice, call = bearer.notice, bearer.call
    if notice is None or call is None:
        return None
    repeating = (each for each in policy.routes if each.repeats)
    return next((each for each in repeating if fits(policy, each, notice, call.since)), None)


def _steps(route: Route, call: Call, passed: Instant, panels: int) -> Steps:
    reminded = max(_times(passed, route.remind_minutes), _whole(panels, route.remind_panels))
    more = max(_times(passed, route.escalate_minutes), _whole(panels, route.escalate_panels))
    return Steps(reminded, min(len(route.escalate_to), call.escalated + more))


def _times(passed: Instant, minutes: float | None) -> int:
    return passed // round(minutes * _MINUTE) if minutes else 0


def _whole(panels: int, every: int | None) -> int:
    return max(0, panels) // every if every else 0


def _due_at(policy: Policy, bearer: SlotState | Standing) -> Instant | None:
    notice, call, ruling = bearer.notice, bearer.call, _ruling(policy, bearer)
    if notice is None or call is None or ruling is None:
        return None
    moments: list[Instant] = []
    if ruling.remind_minutes:
        moments.append(call.since + (notice.reminded + 1) * round(ruling.remind_minutes * _MINUTE))
    if ruling.escalate_minutes and notice.escalated < len(ruling.escalate_to):
        steps = notice.escalated - call.escalated + 1
        moments.append(call.since + steps * round(ruling.escalate_minutes * _MINUTE))
    return min(moments, default=None)
