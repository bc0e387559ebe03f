"""Which parts a slot loses: usual odds that wander, a nozzle that wears and is cleaned, what goes
uncounted."""

from __future__ import annotations

import math
import statistics
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from simulators.losses import Losses
from simulators.plan import WearPlan
from simulators.streams import Streams

USUAL = 0.004


def losses(wear: WearPlan, seed: int = 1, takt: float = 20.0) -> Losses:
    return Losses(wear, takt, Streams(seed, "L1", "P1", "F01"))


def chances(wear: WearPlan, panels: int, seed: int = 1) -> list[float]:
    """The chance of a loss in each of so many panels."""
    slot = losses(wear, seed)
    found = []
    for _ in range(panels):
        slot.next_panel()
        found.append(slot.chance(USUAL))
    return found


def test_without_drift_and_wear_the_chance_stays_what_is_usual():
    assert {round(each, 12) for each in chances(WearPlan(), 500)} == {USUAL}


def test_drift_moves_slowly_and_as_far_in_a_thousand_panels_as_the_plan_says():
    ends = []
    for seed in range(200):
        found = chances(WearPlan(drift=0.5), 1000, seed)
        assert max(abs(b / a - 1) for a, b in pairwise(found)) < 0.1
        ends.append(math.log(found[-1] / USUAL))

    assert 0.42 < statistics.stdev(ends) < 0.58


def test_a_worn_nozzle_loses_five_to_ten_times_as_much_until_it_is_cleaned():
    found = chances(WearPlan(worn=0.02, factor=(5, 10), minutes=(4, 20)), 3000)
    worn = [each / USUAL for each in found if each > USUAL * 1.01]
    runs = [len(run) for run in "".join("w" if each > USUAL * 1.01 else " " for each in found).split()]

    assert 4.8 < min(worn) <= max(worn) <= 10
    assert min(runs) >= 4 * 60 / 20
    assert sorted(runs)[len(runs) // 2] <= 20 * 60 / 20


@given(
    need=st.integers(0, 60),
    left=st.integers(0, 60),
    usual=st.floats(0, 0.9),
    unseen=st.floats(0, 1),
    seed=st.integers(0, 99),
)
def test_no_more_is_picked_than_is_there_and_placing_stops_when_all_is_placed(
    need: int, left: int, usual: float, unseen: float, seed: int
):
    placed, lost, uncounted = losses(WearPlan(unseen=unseen), seed).pick(need, left, usual)

    assert placed + lost <= left
    assert placed == need or placed + lost == left
    assert 0 <= uncounted <= lost


def test_the_nth_pick_has_the_same_fate_however_the_picks_are_spread_over_supplies():
    wear = WearPlan(unseen=0.3)
    whole = losses(wear).pick(3000, 10_000, 0.05)
    slot = losses(wear)
    parts = [slot.pick(1000, 10_000, 0.05) for _ in range(3)]

    assert whole == tuple(map(sum, zip(*parts, strict=True)))
