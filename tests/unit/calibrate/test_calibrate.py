"""The whole of it in small: made-up supplies through the real rules."""

from __future__ import annotations

import pytest

from tests.calibrate.metrics import coverage
from tests.calibrate.plant import Plant
from tests.calibrate.run import QUICK, Task, play
from tests.calibrate.scenario import SCENARIOS


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
