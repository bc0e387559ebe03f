"""What a line will need: the emptyings ahead with the windows in which they can be prevented, and when the
line stands anyway.

Panels count from now on, the one in work being the first; all stations of a line go by one clock, that of the
slowest. Which stops come of it is decided elsewhere.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from math import ceil, fsum

from service.domain import judge
from service.domain.calendar import Hours, hours_of, is_at_work, rests, walk, worked
from service.domain.emptyings import Emptying, Supply
from service.domain.horizon import Horizon
from service.domain.inquiry import Question
from service.domain.judge import Case
from service.domain.learning import LABEL, USUAL
from service.domain.model import SECOND, Instant, Spread
from service.domain.outcome import forecast, is_boundary_only
from service.domain.pace import Pace, pace_of, panels_within, seconds_to_empty
from service.domain.plan import Terms, Window
from service.domain.policy import PlanRules
from service.domain.ready import stands_ready
from service.domain.sight import Sight, rest_of_order
from service.domain.state import LineState, SlotState, StationState
from service.domain.world import World

HORIZON = 200
"""Panels ahead for which a plan is kept."""
_MOST_OF_A_SLOT = 50
Shelf = Counter[tuple[str | None, str | None]]
"""Supplies that stand ready, by part and kind."""
_LONG_REST = 24 * 3600 * SECOND


@dataclass(frozen=True, slots=True)
class Tempo:
    """When so many panels will have passed: the pace of the slowest station, since its last count.
    ``reckoned`` keeps the seconds that were asked for before."""

    pace: Pace
    hours: Hours | None
    start: Instant
    reckoned: dict[int, float | None] = field(default_factory=dict, repr=False, compare=False)

    def seconds(self, panels: int) -> float | None:
        if panels not in self.reckoned:
            found = seconds_to_empty(self.pace, (panels, panels, panels))
            self.reckoned[panels] = None if found is None else found[1]
        return self.reckoned[panels]

    def at(self, panels: int) -> Instant | None:
        seconds = self.seconds(panels)
        return None if seconds is None else walk(self.hours, self.start, round(seconds * SECOND))

    def most_by(self, at: Instant) -> int:
        """The most panels that may have passed then."""
        return panels_within(self.pace, worked(self.hours, self.start, at) / SECOND)


@dataclass(frozen=True, slots=True)
class Rest:
    """A boundary at which the line stands anyway: a break that begins at ``moment``, or the end of an
    ``order``, after which it is changed over."""

    boundary: int
    moment: Instant | None = None
    order: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Prospect:
    """``windows``: of what is in the slots now. ``unspoken``: supplies that stand ready beyond those that
    ``windows`` take, by part and kind."""

    line: LineState
    rules: PlanRules
    at: Instant
    panels: int
    tempo: Tempo | None
    rests: tuple[Rest, ...]
    windows: tuple[Window[Emptying], ...]
    unspoken: Shelf
    fetched: int
    as_of: Instant | None

    @property
    def terms(self) -> Terms:
        return Terms(self.rules.margin_panels, self.rules.waste_share)

    def after(self, window: Window[Emptying], boundary: int, unspoken: Shelf) -> Window[Emptying] | None:
        """The window of the supply that takes the place of this one at ``boundary``; ``None`` where its
        quantity isn't known, and where it lasts beyond the orders or what is looked at."""
        emptying = None if window.what.number >= _MOST_OF_A_SLOT else window.what.next(boundary)
        if emptying is None or not boundary < emptying.panels.p05 <= self.panels + self.rules.margin_panels:
            return None
        found = self.supplied(emptying, unspoken).window(self.terms)
        return found if boundary < found.last <= self.panels else None

    def supplied(self, emptying: Emptying, unspoken: Shelf) -> Emptying:
        """With what stands ready for it, as far as there is anything; that is taken from ``unspoken``."""
        part = emptying.supply.part
        if unspoken[part] > 0:
            unspoken[part] -= 1
            return replace(emptying, ready=True)
        return replace(emptying, fetched=self.fetched)


def look_ahead(world: World, line: str, at: Instant, *, panels: int = HORIZON) -> Prospect:
    """What comes within so many panels. Slots that outlast the known orders, as far as they would be warned
    of, need nothing."""
    stations, state = world.stations_of(line), world.line(line)
    rules, tempo = world.policy.plan, _tempo(world, stations, line)
    supplies = list(_supplies(world, stations, panels + rules.margin_panels))
    unspoken = Counter({each.part: _ready(state, each) for each in supplies})
    fetched = 0 if tempo is None else ceil(rules.fetch_minutes * 60.0 / tempo.pace.usual)
    bare = Prospect(
        line=state,
        rules=rules,
        at=at,
        panels=panels,
        tempo=tempo,
        rests=tuple(_rests(state, stations, tempo, at, panels)),
        windows=(),
        unspoken=unspoken,
        fetched=fetched,
        as_of=max((each for station in stations if (each := station.counted_at) is not None), default=None),
    )
    firsts = [Emptying(each, 1, each.panels, each.left) for each in supplies]
    firsts.sort(key=lambda each: (each.panels.p05, each.supply.place))
    windows = tuple(bare.supplied(each, unspoken).window(bare.terms) for each in firsts)
    return replace(bare, windows=windows)


def _ready(line: LineState, supply: Supply) -> int:
    part, kind = supply.part
    return 0 if part is None else stands_ready(line, part, kind)


def _supplies(world: World, stations: Sequence[StationState], panels: int) -> Iterator[Supply]:
    found = list(_cases(world, stations))
    spreads = forecast([case for _, _, case in found]) if found else []
    soon = [
        (station, slot, case, spread)
        for (station, slot, case), spread in zip(found, spreads, strict=True)
        if spread.p05 <= panels and _may_run_out(world.sights_of(station)[slot.name], case, spread)
    ]
    fulls = [_full(world.sights_of(station)[slot.name], slot) for station, slot, _, _ in soon]
    fresh = _fresh(world, soon, fulls)
    for (station, slot, case, spread), full, of_full in zip(soon, fulls, fresh, strict=True):
        sight = world.sights_of(station)[slot.name]
        yield Supply(
            station=station,
            slot=slot,
            sight=sight,
            stops=is_boundary_only(slot, sight),
            left=fsum(case.question.left * case.question.weight),
            full=full,
            panels=spread,
            gives=of_full,
            horizon=case.question.horizon,
            needed=case.needed,
        )


def _cases(world: World, stations: Sequence[StationState]) -> Iterator[tuple[StationState, SlotState, Case]]:
    for station in stations:
        sights, line = world.sights_of(station), world.line(station.line)
        for slot in station.slots.values():
            case = judge.case_of(line, station, slot, sights) if judge.speaks(station, slot, sights) else None
            if case is not None and sights[slot.name].usage:
                yield station, slot, case


def _may_run_out(sight: Sight, case: Case, spread: Spread[int]) -> bool:
    """Whether it may be empty before the orders end, by the chance from which on people are warned."""
    if case.needed is None or spread.p50 < case.needed:
        return True
    return spread.p05 < case.needed and case.chance_within(case.needed) >= sight.limits.chance


def _full(sight: Sight, slot: SlotState) -> float | None:
    """The parts of a full supply: as configured, as many as its trays have cells, or as this one was labelled
    when it was loaded."""
    if sight.rule.full:
        return float(sight.rule.full)
    if slot.tray is not None:
        return float(slot.tray.matrix.cells)
    otherwise = slot.partial or slot.assumed or slot.exact or slot.joints
    return None if otherwise or not slot.declared else float(slot.declared)


Soon = tuple[StationState, SlotState, Case, Spread[int]]


def _fresh(world: World, soon: Sequence[Soon], fulls: Sequence[float | None]) -> list[Spread[float] | None]:
    """The good placements that a full supply of each gives; those that feed together aren't looked at."""
    found: list[Spread[float] | None] = [None] * len(soon)
    questions: dict[int, Case] = {}
    for row, ((station, slot, case, _), full) in enumerate(zip(soon, fulls, strict=True)):
        sight = world.sights_of(station)[slot.name]
        if full is None or sight.group or not sight.usage:
            continue
        basis = USUAL if slot.assumed else LABEL
        law = world.memory.law(slot.kind or sight.rule.kind, sight.part, basis, int(full))
        left, weight = law.left(int(full))
        asked = case.question
        question = Question(
            horizon=Horizon(usage=sight.usage), left=left, weight=weight, a=asked.a, b=asked.b, blind=0.0
        )
        questions[row] = Case(question, None)
    if questions:
        for row, spread in zip(questions, forecast(list(questions.values())), strict=True):
            usage = questions[row].question.horizon.usage
            found[row] = Spread(spread.p05 * usage, spread.p50 * usage, spread.p95 * usage)
    return found


def _tempo(world: World, stations: Sequence[StationState], line: str) -> Tempo | None:
    hours = hours_of(world.policy, line)
    known = [
        Tempo(pace, hours, station.counted_at)
        for station in stations
        if station.counted_at is not None and (pace := pace_of(station)) is not None
    ]
    return max(known, key=lambda each: each.pace.usual, default=None)


def _rests(
    line: LineState, stations: Sequence[StationState], tempo: Tempo | None, at: Instant, panels: int
) -> Iterator[Rest]:
    if tempo is not None and tempo.hours is not None:
        yield from _breaks(tempo, at, panels)
    ends = [rest for station in stations if (rest := rest_of_order(line, station)) is not None]
    running = line.running_order
    if not ends or running is None:
        return
    ahead = [running, *(order for order in line.orders.values() if order.state == "queued")]
    lengths: list[int] = []
    for order in ahead[1:]:
        if order.panels is None:
            break
        lengths.append(order.panels)
    boundaries = accumulate(lengths, initial=max(ends))
    for order, after, boundary in zip(ahead, [*ahead[1:], None], boundaries, strict=False):
        if boundary <= panels and (after is None or after.recipe is None or after.recipe != order.recipe):
            yield Rest(boundary, order=order.name)


def _breaks(tempo: Tempo, at: Instant, panels: int) -> Iterator[Rest]:
    if not is_at_work(tempo.hours, at):
        begun = rests(tempo.hours, at - _LONG_REST, at)
        yield Rest(0, moment=begun[-1] if begun else at)
    end = tempo.at(panels)
    for moment in [] if end is None else rests(tempo.hours, max(at, tempo.start), end):
        boundary = tempo.most_by(moment)
        if boundary <= panels:
            yield Rest(boundary, moment=moment)
