"""The plan of a line as it is shown: which slots to exchange together, at which panel boundary and clock
time, what can be done meanwhile without a stop, whose hands that takes, and what would be without it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC

import msgspec

from service.domain import notices
from service.domain.calendar import walk
from service.domain.emptyings import Emptying
from service.domain.jobs import Turn
from service.domain.model import SECOND, Instant, rfc3339_or_none, to_rfc3339
from service.domain.planning import as_kept, cost
from service.domain.prospect import HORIZON, Prospect, look_ahead
from service.domain.said import put
from service.domain.staffing import Drawn, Need, Staffing, Task, meanwhile, staff
from service.domain.world import World

Json = dict[str, object]
_SELDOM = 0.01
"""An emptying that is less likely isn't counted any more."""


def plan_object(world: World, line: str, *, panels: int = HORIZON, at: Instant | None = None) -> Json:
    """The plan for the next ``panels`` panels, as it is at ``at`` (``None``: at the last count)."""
    if at is None:
        at = max((station.counted_at or 0 for station in world.stations_of(line)), default=0)
    return shown(look_ahead(world, line, at, panels=panels))


def shown(prospect: Prospect) -> Json:
    """The plan that comes of what is ahead."""
    stops = as_kept(prospect)
    staffing = staff(prospect, stops)
    plan, rules = prospect.line.plan, prospect.rules
    return {
        "line": prospect.line.line,
        "as_of": rfc3339_or_none(prospect.as_of),
        "kept_since": None if plan is None else to_rfc3339(plan.since),
        "panels": prospect.panels,
        "margin_panels": rules.margin_panels,
        "waste_share": rules.waste_share,
        "people": rules.people,
        "feasible": staffing.feasible,
        "helps": [put(said, UTC) for said in staffing.helps],
        "helps_said": msgspec.to_builtins(list(staffing.helps)),
        "stop_minutes": round(rules.stop_minutes * sum(stop.rest is None for stop in stops), 1),
        "without": _without(prospect),
        "stops": [_stop_object(prospect, stop) for stop in stops],
        "meanwhile": _meanwhile(prospect, staffing),
    }


def _stop_object(prospect: Prospect, stop: Drawn) -> Json:
    rest = stop.rest
    at = _at(prospect, stop.boundary) if rest is None or rest.moment is None else rest.moment
    costs = cost(prospect, stop)
    return {
        "panels": stop.boundary,
        "at": rfc3339_or_none(at),
        "at_break": rest is not None and rest.moment is not None,
        "at_changeover": rest is not None and rest.order is not None,
        "costs": None if costs is None else round(costs, 2),
        "exchanges": [_exchange(prospect, need, stop) for need in sorted(stop.needs, key=_by_place)],
    }


def _by_place(need: Need) -> tuple[int, tuple[str, str]]:
    return need.last, need.what.supply.place


def _exchange(prospect: Prospect, need: Need, stop: Drawn | None) -> Json:
    supply = need.what.supply
    station, slot = supply.place
    part, kind = supply.part
    notice = supply.slot.notice if need.what.number == 1 else None
    return {
        "station": station,
        "slot": slot,
        "kind": kind,
        "part": part,
        "emptying": need.what.number,
        "from_panels": need.first,
        "by_panels": need.last,
        "from": rfc3339_or_none(_at(prospect, need.first)),
        "by": rfc3339_or_none(_at(prospect, need.last)),
        "ready": need.what.ready,
        "left_over": _left_over(need, stop),
        "notice": notice.id if notice is not None and notices.is_live(notice) else None,
    }


def _left_over(need: Need, stop: Drawn | None) -> float | None:
    """The parts thrown away; a tape is joined to the next."""
    if need.what.supply.is_joined:
        return 0.0
    return round(need.what.left_over(need.last if stop is None else stop.boundary), 1)


def _meanwhile(prospect: Prospect, staffing: Staffing) -> list[Json]:
    """In the order in which to do it; without a known takt by panels alone."""
    if staffing.turns is None:
        unknown = {"begin": None, "end": None, "late": None}
        return [_exchange(prospect, need, None) | unknown for need in meanwhile(prospect)]
    return [_turn(prospect, turn) for turn in staffing.turns if turn.job.what.stop is None]


def _turn(prospect: Prospect, turn: Turn[Task]) -> Json:
    begin, end = (rfc3339_or_none(_after(prospect, seconds)) for seconds in (turn.begin, turn.end))
    return _exchange(prospect, turn.job.what.need, None) | {"begin": begin, "end": end, "late": turn.is_late}


def _without(prospect: Prospect) -> Json:
    """Expected ``stops`` and their minutes if nobody exchanges before empty, and how many there would be if
    each slot that needs one had its own."""
    alone = sum(_chances_left_alone(prospect))
    single = sum(1 for _ in _each_by_itself(prospect))
    return {
        "stops": round(alone, 1),
        "minutes": round(alone * prospect.rules.late_minutes, 1),
        "single_stops": single,
        "single_minutes": round(single * prospect.rules.stop_minutes, 1),
    }


def _chances_left_alone(prospect: Prospect) -> Iterator[float]:
    """Of each emptying that comes when supplies are exchanged once they are empty."""
    for window in prospect.windows:
        needed = window.what.supply.needed
        end = prospect.panels if needed is None else min(prospect.panels, needed)
        emptying: Emptying | None = window.what
        # Where little is known each next one is as likely as the one before: no more than one a panel.
        while emptying is not None and emptying.number <= end:
            chance = float(emptying.chance_before([end])[0])
            if chance <= _SELDOM:
                break
            yield chance
            emptying = emptying.left_alone()


def _each_by_itself(prospect: Prospect) -> Iterator[Need]:
    shelf = prospect.unspoken.copy()
    for window in prospect.windows:
        need: Need | None = window if window.what.supply.stops else None
        while need is not None:
            yield need
            need = prospect.after(need, need.last, shelf)


def _at(prospect: Prospect, panels: int) -> Instant | None:
    return None if prospect.tempo is None else prospect.tempo.at(panels)


def _after(prospect: Prospect, seconds: float) -> Instant | None:
    tempo = prospect.tempo
    return None if tempo is None else walk(tempo.hours, tempo.start, round(seconds * SECOND))
