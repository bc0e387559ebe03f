"""The whole of it in small: made-up supplies through the real rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibrate.metrics import coverage
from tests.calibrate.plant import Plant
from tests.calibrate.run import QUICK, Task, play
from tests.calibrate.scenario import SCENARIOS
from tests.calibrate.score import score


def test_the_forecast_is_about_as_sure_as_it_says_and_better_than_the_books():
    score = play(Task("stable", 4, *QUICK))[""]

    assert score.lives == QUICK[1]
    assert score.silent == 0
    assert 0.8 <= coverage(score.all_pits()) <= 0.98
    assert score.mean_crps("oracle B") < score.mean_crps("oracle A") < 1.1 * score.mean_crps("earlybell")
    assert score.mean_crps("earlybell") < 0.7 * score.mean_crps("naive")


def test_the_same_seed_gives_the_same_scores_and_another_one_others():
    first, again, other = (play(Task("alternates", seed, 20, 20))[""] for seed in (4, 4, 5))

    assert first == again
    assert first != other


@pytest.mark.parametrize("name", list(SCENARIOS))
def test_every_scenario_runs_to_the_end_of_its_supplies(name):
    plant = Plant(SCENARIOS[name], seed=4, learn=20, test=20)
    lives = plant.run()

    width = 2 if SCENARIOS[name].pairs else 1
    assert len(lives) == 20 // width
    assert all(supply.out for life in lives for supply in life.supplies)
    assert all(life.ended is not None and life.asked for life in lives)


def test_the_books_of_the_program_are_those_of_the_plant():
    plant = Plant(SCENARIOS["stable"], seed=4, learn=0, test=30)
    plant.run()

    for source in plant.sources:
        slot = plant.world.stations["L1", "P1"].slots[source.slots[0]]
        assert slot.book == source.life.book(tells_losses=True)


@pytest.mark.parametrize("name", ["stable", "placements only", "low sensor", "end effects", "mixture"])
def test_one_who_knows_the_laws_but_not_the_quantity_is_as_sure_as_it_says(name):
    """The oracle that the forecast is measured by, whatever the program says: 90 % of the truths inside. Four
    deviations of 150 supplies, as if the five forecasts of one were the same."""
    pits = np.array(play(Task(name, 4, 0, 150))[""].oracle_pits)

    assert coverage(pits) == pytest.approx(0.9, abs=4.0 * (0.9 * 0.1 / 150) ** 0.5)


def test_a_warning_of_a_load_that_began_below_the_lead_is_set_apart():
    stable = SCENARIOS["stable"]
    few = tuple(replace(sort, full=8 * sort.usage) for sort in stable.sorts)
    found = score(Plant(replace(stable, sorts=few), seed=4, learn=0, test=30).run(), 4)

    assert (found.given, found.missed, len(found.apart)) == ([], 0, 30)


def test_the_law_that_changes_is_scored_before_and_in_windows_after():
    parts = play(Task("law that changes", 4, 20, 60))

    assert {name: each.lives for name, each in parts.items()} == {
        "before": 18,
        "1 to 30 after": 30,
        "31 to 100 after": 12,
        "101 on": 0,
    }


def test_the_oracle_that_the_supplies_are_made_for_changes_its_law_with_them():
    """After the law has changed whoever knows it errs as little as before; the books are far off."""
    parts = play(Task("law that changes", 4, 20, 100))
    before, after = parts["before"], parts["1 to 30 after"]

    assert after.mean_crps("oracle A") < 2.0 * before.mean_crps("oracle A")
    assert after.mean_crps("naive") > 2.0 * before.mean_crps("naive")
