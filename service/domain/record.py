"""The track record of the warnings: what became of each, and when that is worse than chance.

A slot's first warning promises so many panels and comes with a forecast; both are kept until it is known how
it went. What no forecast could have told earlier is noted apart. A standing notice tells of a promise that
isn't kept; what is done about it is for people.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from functools import lru_cache
from math import fsum

import numpy as np
from scipy.special import bdtrc

from service.domain import judge, notices, standing
from service.domain.history import MOST_OUTCOMES, Outcome, Record, Warned, kind_name, record_key
from service.domain.inquiry import MOST, Question, Questions
from service.domain.judge import Case
from service.domain.model import Instant, Level
from service.domain.notices import Told
from service.domain.outlook import chances_due, panels_to_empty
from service.domain.said import Said
from service.domain.state import SlotState, StationState
from service.domain.world import World

KIND = "promise"
WINDOW = 60
"""Warnings of one kind of supply that are looked at together, the last ones."""
TAIL = 0.01
"""So many late ones among them, or more, have at most this chance while the promise is kept."""
_AT_ONCE = 8
"""More outcomes than one event notes."""
_SHARES = (np.arange(10) + 0.5) / 10.0


# What is promised


def opens(slot: SlotState) -> bool:
    """Whether what is told of the slot now is the first warning of this emptying: nothing was told yet, or
    what was told closed by itself."""
    notice = slot.notice
    if slot.warned is not None or notices.is_live(notice):
        return False
    return notice is None or (notice.closed_because != notices.PERSON and notice.level != Level.EMPTY)


def warn(world: World, station: StationState, slot: SlotState, at: Instant, *, by_count: bool) -> None:
    """Keep what the first warning promises; where quantity or usage aren't known it promises nothing.

    Apart is what couldn't come earlier: what no count brought about, what the first count after the loading
    did, and what is asked of an order that ends before the lead does.
    """
    case = _case(world, station, slot)
    if case is None:
        return
    sight = world.sights_of(station)[slot.name]
    lead = judge.lead_of(sight, station)
    is_new = slot.refilled_unsaid == at or _ran(slot, sight.usage) < 2
    ends_before = case.needed is not None and case.needed < lead
    slot.warned = Warned(
        at,
        station.progress,
        lead,
        sight.limits.chance,
        deciles(case.question),
        apart=not by_count or is_new or ends_before,
    )


def deciles(question: Question) -> list[int]:
    """The 5 %, 15 % … 95 % quantiles of the panels to empty: the least x with P(X <= x) >= p, by halving."""
    alone = Questions.of([question])
    all_ten = alone.rows(np.zeros(len(_SHARES), dtype=np.int64))
    endless = np.full(len(_SHARES), np.inf)
    below = np.full(len(_SHARES), -1.0)
    enough = np.full(len(_SHARES), panels_to_empty(alone)[0, 2] + 1.0)
    while enough[-1] < MOST and chances_due(all_ten, enough, endless)[-1] < _SHARES[-1]:
        enough = np.minimum(enough * 2.0, MOST)
    while (enough - below > 1.0).any():
        middle = np.floor((below + enough) / 2.0)
        reached = chances_due(all_ten, middle, endless) >= _SHARES
        enough, below = np.where(reached, middle, enough), np.where(reached, below, middle)
    return [int(panels) for panels in enough]


# How it went


def missed(world: World, station: StationState, slot: SlotState, at: Instant) -> list[Told]:
    """The slot is empty and nobody was warned: no panel was given. A supply that held less than the lead from
    the beginning is apart; where nothing was known nothing was promised."""
    if _case(world, station, slot) is None:
        return []
    sight = world.sights_of(station)[slot.name]
    lead = judge.lead_of(sight, station)
    is_new = _ran(slot, sight.usage) < lead
    promise = Warned(at, station.progress, lead, sight.limits.chance, [], apart=is_new)
    return _settle(world, station, slot, promise, at, late=1.0, given=0)


def ran_empty(world: World, station: StationState, slot: SlotState, at: Instant) -> list[Told]:
    """The slot is empty, and the panel in work wasn't completed: the warning gave as many panels as were
    completed since."""
    promise = slot.warned
    if promise is None:
        return []
    given = station.progress - promise.progress
    return _settle(world, station, slot, promise, at, late=float(given < promise.lead), given=given)


def cut_short(
    world: World, station: StationState, slot: SlotState, at: Instant, *, since: int = 0, seen: bool = False
) -> list[Told]:
    """The supply goes before it is empty (call before anything of it changes), or somebody counted what is
    left: how it would have gone is told by the forecast as it stands now.

    ``since``: parts used since that really happened; ``seen``: nobody said it, counts showed it later, so
    that only the chance as it was promised can stand for it.
    """
    promise = slot.warned
    if promise is None:
        return []
    ran = station.progress - promise.progress - _panels(since, world.sights_of(station)[slot.name].usage)
    if ran >= promise.lead:
        return _settle(world, station, slot, promise, at, late=0.0)
    case = _case(world, station, slot)
    if case is None and not seen:
        slot.warned = None
        return []
    late = promise.chance if case is None or seen else case.chance_within(promise.lead - ran - 1)
    return _settle(world, station, slot, promise, at, late=late)


def let_go(world: World, station: StationState, slot: SlotState, at: Instant) -> list[Told]:
    """Nothing needs it any more, or it lasts longer than was thought: only what it gave already is known."""
    promise = slot.warned
    if promise is None:
        return []
    if station.progress - promise.progress >= promise.lead:
        return _settle(world, station, slot, promise, at, late=0.0)
    slot.warned = None
    return []


def _case(world: World, station: StationState, slot: SlotState) -> Case | None:
    return judge.case_of(world.line(station.line), station, slot, world.sights_of(station))


def _ran(slot: SlotState, usage: float | None) -> int:
    """Panels since the quantity was said, by what was counted."""
    return _panels(slot.counted, usage)


def _panels(parts: int, usage: float | None) -> int:
    return int(parts / usage) if usage else 0


def _settle(
    world: World,
    station: StationState,
    slot: SlotState,
    promise: Warned,
    at: Instant,
    *,
    late: float,
    given: int | None = None,
) -> list[Told]:
    slot.warned = None
    told_of = promise.deciles if given is not None else []
    outcome = Outcome(
        at=at,
        line=station.line,
        station=station.station,
        slot=slot.name,
        lead=promise.lead,
        given=given,
        late=late,
        chance=promise.chance,
        decile=tenth(told_of, given, _by_lot(station, slot)) if given is not None and told_of else None,
        covered=told_of[0] <= given <= told_of[-1] if given is not None and told_of else None,
        apart=promise.apart,
    )
    return note(world, slot.kind, outcome)


def tenth(deciles: Sequence[int], given: int, lot: float) -> int:
    """In which tenth of the forecast, 0 to 9, the end fell: the randomised probability integral transform.

    What shares a number of panels is parted by ``lot``, even between 0 and 1: then each tenth is as likely
    while the forecast is right. Source: Czado, Gneiting and Held, "Predictive model assessment for count
    data", Biometrics 65 (2009), from memory.
    """
    first, after = bisect_left(deciles, given), bisect_right(deciles, given)
    if first == after:  # between two quantiles, each of which is the middle of a tenth
        return min(9, max(0, first - 1 + int(lot * 2.0)))
    return first + int(lot * (after - first))


def _by_lot(station: StationState, slot: SlotState) -> float:
    """Between 0 and 1, as good as by chance, and the same in a replay."""
    name = notices.notice_id(station, slot)
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:6]) / 2**48


# Whether the promise is kept


def note(world: World, kind: str | None, outcome: Outcome) -> list[Told]:
    """One more outcome of a kind of supply; what is to be told of the promise then."""
    record = world.memory.record(kind)
    record.outcomes.append(outcome)
    del record.outcomes[:-MOST_OUTCOMES]
    if outcome.apart:
        record.apart += 1
    else:
        record.judged += 1
        record.late += outcome.late
    if outcome.covered is not None:
        record.ended += 1
        record.covered += outcome.covered
    world.memory.touch(record)
    return _watch(world, record, outcome.at)


def noted(world: World, kind: str | None, station: StationState, slot: str, at: Instant) -> list[Outcome]:
    """What was noted of a slot at that moment."""
    place = (at, station.line, station.station, slot)
    known = world.memory.records.get(record_key(kind))
    last = [] if known is None else known.outcomes[-_AT_ONCE:]
    return [each for each in last if (each.at, each.line, each.station, each.slot) == place]


def take_back(world: World, kind: str | None, outcome: Outcome, at: Instant) -> list[Told]:
    """It didn't come to that: the outcome is forgotten; what is to be told of the promise then."""
    record = world.memory.record(kind)
    if outcome not in record.outcomes:
        return []
    record.outcomes.remove(outcome)
    if outcome.apart:
        record.apart -= 1
    else:
        record.judged -= 1
        record.late -= outcome.late
    if outcome.covered is not None:
        record.ended -= 1
        record.covered -= outcome.covered
    world.memory.touch(record)
    return _watch(world, record, at)


def _watch(world: World, record: Record, at: Instant) -> list[Told]:
    """Whether more of the last warnings were late than chance explains; over once it is as was promised."""
    recent = [outcome for outcome in record.outcomes if not outcome.apart][-WINDOW:]
    late, expected = fsum(each.late for each in recent), fsum(each.chance for each in recent)
    about = kind_name(record.kind)
    if late <= expected:
        return standing.end(world, KIND, about, at)
    if len(recent) < WINDOW or late < beyond_chance(WINDOW, round(expected / WINDOW, 6)):
        return []
    return standing.begin(world, KIND, about, _sentence(record.kind, late, expected), at)


@lru_cache(maxsize=256)
def beyond_chance(warnings: int, chance: float) -> int:
    """The least number of late ones among so many ``warnings`` whose binomial tail is below 1 %."""
    tails = bdtrc(np.arange(-1.0, warnings), warnings, chance)
    return int(np.searchsorted(-tails, -TAIL, side="right"))


def _sentence(kind: str | None, late: float, expected: float) -> Said:
    supplies = {
        "tape": Said("Reels"),
        "tray": Said("Trays"),
        "stick": Said("Sticks"),
        "bulk": Said("Bulk cases"),
    }.get(kind or "", Said("Supplies of no stated kind"))
    return Said(
        "{supplies}: {late} of the last {window} warnings came with fewer panels than asked; at most {most}"
        " are expected. Look at the record, count a few supplies by hand and check whether they hold what"
        " their labels say.",
        {"supplies": supplies, "late": round(late), "window": WINDOW, "most": round(expected)},
    )
