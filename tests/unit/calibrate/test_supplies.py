"""The made-up supplies against the laws they are made by, and the oracles against what comes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.calibrate.oracle import Oracle
from tests.calibrate.scenario import SCENARIOS
from tests.calibrate.supply import BLOCK, Label, Loss, Sort, make

PLAIN = Sort(part="R-10K-0402", usage=10, full=2000, label=Label(), loss=Loss(mean=0.02))


def chance() -> np.random.Generator:
    return np.random.default_rng(20260302)


def test_a_label_errs_by_its_law():
    # Normal with the mean and the deviation that are named; Kolmogorov-Smirnov, of whole parts spread evenly.
    of = chance()
    real = Label(mean=-5.0, deviation=20.0).draw(of, 2000, 5000) + of.uniform(-0.5, 0.5, 5000)

    assert stats.kstest(real, "norm", args=(1995.0, 20.0)).pvalue > 0.01


def test_waste_and_tail_shorten_a_supply_by_what_they_say():
    label = Label(waste=30, share=0.25, tail=40.0)
    short = 2000 - label.draw(chance(), 2000, 20_000)

    # Means add: 15 evenly wasted, a quarter of 40.
    assert short.mean() == pytest.approx(25.0, abs=0.5)


@pytest.mark.parametrize("loss", [Loss(mean=0.02), Loss(mean=0.05)])
def test_picks_fail_as_often_as_the_chance_says(loss):
    # The losses of 200 supplies are binomial.
    of, failed, picks, expected = chance(), 0, 0, 0.0
    for _ in range(200):
        supply = make(of, replace(PLAIN, loss=loss), loss.mean, label=Label(), theta=(0.0, 0.0))
        failed += supply.real - len(supply.goods)
        picks += supply.real
        expected += supply.real * supply.base

    assert stats.binomtest(failed, picks, expected / picks).pvalue > 0.01


def test_the_chances_of_slots_and_supplies_are_gamma_about_the_mean():
    of, loss = chance(), Loss(mean=0.01, slots=4.0, supplies=20.0)
    slots = np.array([loss.of_slot(of) for _ in range(4000)])
    supplies = np.array([loss.of_supply(of, 0.01) for _ in range(4000)])

    assert stats.kstest(slots / 0.01, "gamma", args=(4.0, 0.0, 0.25)).pvalue > 0.01
    assert stats.kstest(supplies / 0.01, "gamma", args=(20.0, 0.0, 0.05)).pvalue > 0.01


def test_a_loss_that_drifts_ends_at_the_multiple_it_is_said_to_reach():
    drifting = Loss(mean=0.01, drift=5.0)
    courses, _ = drifting.courses(chance(), 0.01, done=0, declared=2000, blocks=101, high=False, size=1)

    assert courses[0, 0] == pytest.approx(0.01, rel=0.05)
    assert courses[0, -1] == pytest.approx(0.05)


def test_a_loss_that_jumps_is_high_for_the_share_of_time_its_chances_say():
    # A chain of two states: up / (up + down) in the long run.
    jumping = Loss(mean=0.01, jump=8.0, up=0.05, down=0.2)
    courses, high = jumping.courses(chance(), 0.01, done=0, declared=2000, blocks=500, high=False, size=200)

    assert high[:, 100:].mean() == pytest.approx(0.2, abs=0.01)
    assert set(np.unique(courses)) == {0.01, 0.08}


def test_a_supply_gives_what_it_holds_and_is_then_out():
    supply = make(chance(), PLAIN, 0.02, label=Label(), theta=(0.0, 0.0))
    given = 0
    while not supply.out:
        given += supply.give(7)

    assert given == supply.placed == len(supply.goods)
    assert supply.picked == supply.real == 2000
    assert supply.lost == 2000 - given


def test_parts_at_the_end_fail_as_often_as_said():
    label = Label(end=40, end_loss=0.3)
    of = chance()
    supplies = [make(of, PLAIN, 0.001, label=label, theta=(0.0, 0.0)) for _ in range(300)]
    failed = sum(each.real - BLOCK * 2 - int((each.goods < each.real - 40).sum()) for each in supplies)
    at_end = sum(40 - int((each.goods >= each.real - 40).sum()) for each in supplies)

    assert stats.binomtest(at_end, 300 * 40, 0.3).pvalue > 0.01
    assert failed / (300 * 1960) < 0.005


@pytest.mark.parametrize("name", ["stable", "drifting loss", "jumping loss", "end effects", "skipped boards"])
def test_one_who_knows_all_but_the_future_is_as_sure_as_it_says(name):
    """The oracle that knows the quantity: where the truth lies among its sample is even (chi-square)."""
    scenario = SCENARIOS[name]
    of, oracle = chance(), Oracle(scenario, np.random.default_rng(7))
    sort, boards = scenario.sorts[0], np.arange(1, 400)[None, :] * scenario.boards
    if scenario.skips is not None:
        boards = Oracle(scenario, np.random.default_rng(8)).boards(bad=False)
    places = []
    for number in range(300):
        supply = make(of, sort, sort.loss.mean, label=sort.label, theta=(0.0, 0.0))
        supply.give(sort.full // 2)
        goods = len(supply.goods) - supply.placed
        truth = int((boards[number % len(boards)] * sort.usage <= goods).sum())
        sample = oracle.panels([supply], sort.usage, bad=False, knows=True)
        low, high = (sample < truth).mean(), (sample <= truth).mean()
        places.append(low + of.random() * (high - low))

    assert stats.chisquare(np.histogram(places, 10, (0.0, 1.0))[0]).pvalue > 0.01
