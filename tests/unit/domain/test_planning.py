"""When a plan is kept and when it gives way; what a stop at a break or a changeover is."""

from __future__ import annotations

import random
from itertools import combinations

import numpy as np
import pytest

from service.domain.model import PlannedStop
from service.domain.planning import _costs, as_kept, choose, cost, decide, draw, planned, worth
from service.domain.policy import PartCost
from service.domain.prospect import Prospect, Rest
from service.domain.staffing import Drawn
from tests.support.ahead import Ahead

GIVE = 3
"""Panels that a kept stop may be too early."""


def boundaries(stops: list[Drawn]) -> list[int]:
    return [stop.boundary for stop in stops]


def slots(stop: Drawn) -> list[str]:
    return sorted(need.what.supply.slot.name for need in stop.needs)


def keep(ahead: Ahead, prospect: Prospect) -> bool:
    """Adopt what is decided; whether anything was."""
    event = decide(prospect)
    if event is not None:
        ahead.keep(prospect, event.stops)
    return event is not None


def meets_everything(prospect: Prospect, stops: list[Drawn]) -> bool:
    served = {
        need.what.supply.slot.name: stop for stop in stops for need in stop.needs if need.what.number == 1
    }
    return all(
        window.first - max(GIVE, at // 10) <= at <= window.last
        for window in prospect.windows
        for at in (served[window.what.supply.slot.name].boundary,)
    )


def test_a_plan_is_kept_while_panels_pass():
    ahead = Ahead()
    ahead.load("T1", 20)
    ahead.load("T2", 23)
    assert keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect()))[0] == 19
    ahead.station.progress += 7
    assert not keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect()))[0] == 12


def test_a_stop_that_comes_too_late_by_now_is_moved_and_comes_not_back():
    ahead = Ahead()
    ahead.load("T1", 20)
    keep(ahead, ahead.prospect())
    assert keep(ahead, ahead.prospect(T1=-1))
    assert boundaries(as_kept(ahead.prospect(T1=-1)))[0] == 18
    assert not keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect()))[0] == 18


def test_what_comes_in_sight_joins_a_stop_that_fits_and_gets_one_of_its_own_else():
    """Its own is a panel before it must be, so that it needn't move when a number is off by one."""
    ahead = Ahead(panels=40)
    ahead.load("T1", 20)
    keep(ahead, ahead.prospect())
    ahead.load("T2", 24)
    ahead.load("T3", 36)
    keep(ahead, ahead.prospect())
    assert [(stop.boundary, slots(stop)) for stop in as_kept(ahead.prospect())] == [
        (19, ["T1", "T2"]),
        (34, ["T3"]),
    ]


def test_a_plan_with_a_stop_less_takes_its_place():
    """T2 can be exchanged from 20 on. Once T1 can wait for it, not just barely, one stop does for both."""
    ahead = Ahead(panels=40)
    ahead.load("T1", 20)
    ahead.load("T2", 25)
    keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect())) == [19, 24]
    assert not keep(ahead, ahead.prospect(T1=1))
    assert keep(ahead, ahead.prospect(T1=2))
    assert boundaries(as_kept(ahead.prospect(T1=2))) == [20]


def test_a_stop_that_nobody_kept_to_is_at_once_until_it_is_done():
    ahead = Ahead(panels=40)
    ahead.load("T1", 10)
    keep(ahead, ahead.prospect())
    ahead.station.progress += 9
    assert boundaries(as_kept(ahead.prospect())) == [0]
    ahead.station.progress += 3
    assert not keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect())) == [0]
    ahead.load("T1", 60)
    assert as_kept(ahead.prospect()) == []


def test_the_emptyings_after_the_next_are_planned_too_and_known_again_once_it_is_loaded():
    ahead = Ahead()
    ahead.load("T1", 20)
    keep(ahead, ahead.prospect())
    stops = as_kept(ahead.prospect())
    # A fresh tray is safe for 59 panels; less the margin and the one that it may be off.
    assert boundaries(stops) == [19, 76, 133, 190]
    assert [need.what.number for stop in stops for need in stop.needs] == [1, 2, 3, 4]
    ahead.station.progress += 19
    ahead.load("T1", 59)
    assert not keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect()))[:3] == [57, 114, 171]


def test_panels_pass_numbers_jitter_and_the_plan_hardly_changes_while_it_meets_everything():
    """Six trays exchanged in their stops for 150 panels; the numbers are off by one either way each time.
    Without keeping, the soonest three stops would change in nearly every panel."""
    kept = jumped = exchanges = 0
    for seed in range(6):
        chance, ahead = random.Random(seed), Ahead()
        for number in range(6):
            ahead.load(f"T{number}", chance.randint(5, 59))
        before: list[int] = []
        for _ in range(150):
            off = {slot: chance.randint(-1, 1) for slot in ahead.ends}
            prospect = ahead.prospect(**off)
            fresh = [ahead.now + at for at in boundaries(draw(prospect, (), further=False))[:3]]
            jumped += fresh != before
            before = fresh
            kept += keep(ahead, prospect)
            assert meets_everything(prospect, as_kept(prospect))
            for stop in as_kept(prospect):
                if stop.boundary == 0:
                    exchanges += len(stop.needs)
                    for slot in slots(stop):
                        ahead.load(slot, ahead.full - 1)
            ahead.station.progress += 1
    assert exchanges > 60
    assert kept < jumped / 5


@pytest.mark.parametrize("minute_cost", [None, 10.0])
def test_a_break_is_a_stop_that_costs_nothing(minute_cost):
    ahead = Ahead(panels=40, rests=[Rest(14, moment=5)], minute_cost=minute_cost)
    ahead.load("T1", 16)
    ahead.load("T2", 19)
    (stop,) = choose(ahead.prospect())
    assert (stop.boundary, slots(stop), stop.rest) == (14, ["T1", "T2"], Rest(14, moment=5))
    assert worth(ahead.prospect(), [stop]) == pytest.approx(0.0, abs=0.1)


def test_a_stop_at_a_break_or_a_changeover_stays_with_it_when_it_moves():
    for before, now in ((Rest(14, moment=5), Rest(15, moment=5)), (Rest(14, order="A"), Rest(13, order="A"))):
        ahead = Ahead(panels=40, rests=[before])
        ahead.load("T1", 17)
        keep(ahead, ahead.prospect())
        ahead.rests = (now,)
        assert not keep(ahead, ahead.prospect())
        assert boundaries(as_kept(ahead.prospect())) == [now.boundary]


def test_a_break_that_comes_too_late_by_now_gets_a_stop_before_it():
    ahead = Ahead(panels=40, rests=[Rest(15, moment=5)])
    ahead.load("T1", 16)
    keep(ahead, ahead.prospect())
    ahead.rests = (Rest(17, moment=5),)
    assert keep(ahead, ahead.prospect())
    assert boundaries(as_kept(ahead.prospect())) == [15]


def test_dear_parts_are_not_thrown_away_for_a_stop_less():
    cheap = Ahead(panels=40, minute_cost=10.0)
    dear = Ahead(panels=40, minute_cost=10.0, parts=(PartCost(part="part-T*", each=9.0),))
    for ahead in (cheap, dear):
        ahead.load("T1", 16)
        ahead.load("T2", 20)
    assert [slots(stop) for stop in choose(cheap.prospect())] == [["T1", "T2"]]
    assert [slots(stop) for stop in choose(dear.prospect())] == [["T1"], ["T2"]]


def test_a_change_must_pay_by_the_configured_share():
    """One stop less saves 20 of some 40."""
    for share, changes in ((0.1, True), (0.9, False)):
        ahead = Ahead(panels=40, minute_cost=10.0, change_pays=share)
        ahead.load("T1", 20)
        ahead.load("T2", 25)
        keep(ahead, ahead.prospect())
        assert keep(ahead, ahead.prospect(T1=2)) == changes


def test_no_plan_of_what_is_in_the_slots_costs_less():
    """Against every set of stops, with waste, risk and breaks, 150 small cases."""
    chance = random.Random(11)
    for _ in range(150):
        rests = [Rest(chance.randint(0, 9), moment=1)] if chance.random() < 0.5 else []
        parts = (PartCost(part="part-T*", each=chance.choice([0.5, 4.0])),)
        ahead = Ahead(
            10, panels=9, rests=rests, minute_cost=chance.choice([1.0, 8.0]), parts=parts, waste_share=0.4
        )
        for number in range(4):
            ahead.load(f"T{number}", chance.randint(1, 10))
        prospect = ahead.prospect()
        ours = sum(cost(prospect, stop) or 0.0 for stop in draw(prospect, (), further=False))
        assert ours == pytest.approx(cheapest_by_trying(prospect))


def cheapest_by_trying(prospect: Prospect) -> float:
    rules, least = prospect.rules, np.inf
    every = np.arange(10)
    fixed = np.full(10, rules.stop_minutes * (rules.minute_cost or 0.0))
    fixed[[rest.boundary for rest in prospect.rests]] = 0.0
    served = np.full((len(prospect.windows), 10), np.inf)
    for row, window in zip(served, prospect.windows, strict=True):
        inside = slice(window.first, window.last + 1)
        row[inside] = _costs(prospect, window.what, every)[inside]
    for size in range(1, 5):
        for chosen in map(list, combinations(range(10), size)):
            least = min(least, float(fixed[chosen].sum() + served[:, chosen].min(axis=1).sum()))
    return least


def test_what_is_kept_survives_its_storage_and_names_panels_for_ever():
    ahead = Ahead(panels=40)
    ahead.station.progress = 1000
    ahead.load("T1", 20)
    (stop,) = planned(choose(ahead.prospect()))
    assert isinstance(stop, PlannedStop)
    assert (stop.at, [each.slot for each in stop.exchanges]) == ({"P1": 1019}, ["T1"])
