"""The contract's slot objects: what is known of a slot at once, and the numbers that are reckoned for many
together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from service.domain import gateways, judge, notices
from service.domain.calendar import Hours, hours_of
from service.domain.inquiry import Question, Questions
from service.domain.judge import Case
from service.domain.model import Instant, Level, Spread, rfc3339_or_none, to_rfc3339
from service.domain.outcome import clock_times, forecast, is_boundary_only, starves
from service.domain.outlook import left_quantiles
from service.domain.shortfall import orders_ahead, shortfalls
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState
from service.domain.world import World
from service.usecases.lives import life_in_slot, tray_object

Json = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A slot object that still lacks its numbers, and what they are reckoned from: ``own`` is the question of
    this slot alone, ``book`` its books, ``orders`` the orders ahead by name, ``hours`` those of its line."""

    shown: Json
    station: StationState
    case: Case | None
    own: Question | None
    book: int | None
    orders: tuple[str | None, ...]
    hours: Hours | None


def draft(world: World, station: StationState, slot: SlotState) -> Draft:
    line, sights = world.line(station.line), world.sights_of(station)
    sight = sights[slot.name]
    case = judge.case_of(line, station, slot, sights)
    return Draft(
        shown=_known(station, slot, sight, case)
        | {
            "floor_life": life_in_slot(world, slot),
            "tray": tray_object(slot),
        },
        station=station,
        case=case,
        own=judge.held(slot, sights, case),
        book=slot.book,
        orders=orders_ahead(line),
        hours=hours_of(world.policy, line.line),
    )


def complete(drafts: Sequence[Draft]) -> None:
    """Put the numbers in, vectorised over all of them."""
    asked = [(each, case) for each in drafts if (case := each.case) is not None]
    if asked:
        cases = [case for _, case in asked]
        spreads = forecast(cases)
        short = shortfalls(cases, [panels.p50 for panels in spreads], [each.orders for each, _ in asked])
        for (each, _), panels, missing in zip(asked, spreads, short, strict=True):
            times = clock_times(each.station, panels, each.hours)
            each.shown["panels_to_empty"] = msgspec.structs.asdict(panels)
            each.shown["empty_at"] = None if times is None else _spread_of_times(times)
            each.shown["order_short"] = None if missing is None else msgspec.structs.asdict(missing)
    held = [(each, own) for each in drafts if (own := each.own) is not None]
    if held:
        quantiles = left_quantiles(Questions.of([own for _, own in held]))
        for (each, _), left in zip(
            held, zip(*(each.tolist() for each in quantiles), strict=True), strict=True
        ):
            each.shown["remaining"] = dict(
                zip(("book", "low", "expected", "high"), (each.book, *left), strict=True)
            )


_LATER = {"idle": 2, "unknown": 1}


def soonest(shown: Json) -> tuple[int, int, str, str]:
    panels = shown["panels_to_empty"]
    p50 = panels["p50"] if isinstance(panels, dict) else 0
    state = str(shown["state"])
    return _LATER.get(state, 0), 0 if state == "empty" else p50, str(shown["station"]), str(shown["slot"])


def _known(station: StationState, slot: SlotState, sight: Sight, case: Case | None) -> Json:
    usage = sight.usage
    lead = judge.lead_of(sight, station)
    chance = None if case is None else case.chance_within(lead)
    return {
        "line": station.line,
        "station": station.station,
        "slot": slot.name,
        "kind": slot.kind,
        "part": sight.part,
        "lot": slot.lot,
        "supply": slot.supply,
        "remaining": None,
        "usage_per_panel": usage if usage is None or usage % 1 else int(usage),
        "usage_source": "none" if usage is None else "recipe" if sight.by_recipe else "learned",
        "loss_rate": _loss_rate(slot, sight),
        "panels_to_empty": None,
        "empty_at": None,
        "lead_panels": lead,
        "urgent_panels": sight.limits.urgent_panels,
        "chance": chance,
        "state": _state(station, slot, sight, case, chance),
        "assumed": slot.assumed,
        "as_of": rfc3339_or_none(station.counted_at),
        "source": gateways.source_of(station),
        "stale_since": rfc3339_or_none(gateways.stale_since(station)),
        "boundary_only": is_boundary_only(slot, sight),
        "notice": slot.notice.id if slot.notice is not None and notices.is_live(slot.notice) else None,
        "order_panels_left": None if case is None else case.needed,
        "order_short": None,
        "counted": {
            "session": station.counted_session,
            "seq": station.counted_seq,
            "panels": station.panels,
        }
        if station.counted_at is not None
        else None,
    }


def _spread_of_times(times: Spread[Instant]) -> Json:
    return {key: to_rfc3339(at) for key, at in msgspec.structs.asdict(times).items()}


_BY_LEVEL = {Level.URGENT: "urgent", Level.EARLY: "due", None: "ok"}


def _state(
    station: StationState, slot: SlotState, sight: Sight, case: Case | None, chance: float | None
) -> str:
    if starves(station, slot, sight):
        return "empty"
    if sight.idle:
        return "idle"
    if case is None or chance is None:
        return "unknown"
    level = judge.level_of(case, sight.limits, chance)
    return _BY_LEVEL[level]


def _loss_rate(slot: SlotState, sight: Sight) -> float:
    """Lost per part picked: the believed odds as a rate."""
    a, b = sight.prior.a + slot.lost_evidence, sight.prior.b + slot.placed_evidence
    return a / (a + b)
