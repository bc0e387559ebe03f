"""Promises beside what was measured, by hand."""

from __future__ import annotations

import pytest

from tests.calibrate.metrics import at_most
from tests.calibrate.report import judged, tables
from tests.calibrate.scenario import Bounds
from tests.calibrate.score import RIVALS, Score, merged, shortage
from tests.calibrate.verdict import verdicts


def a_score(*, ours: float = 1.0, given: tuple[int, ...] = (12,) * 200) -> Score:
    """Oracle A 1, naive 2 panels; the truths lie evenly in the forecasts."""
    values = dict(zip(RIVALS, (ours, 1.0, 0.5, 2.0, 2.0), strict=True))
    return Score(
        crps={20: {name: [value] * 100 for name, value in values.items()}},
        pinball={20: [(0.1, 0.2, 0.1)] * 100},
        pits={20: [(place + 0.5) / 100 for place in range(100)]},
        oracle_pits=[(place + 0.5) / 100 for place in range(100)],
        given=list(given),
    )


PROMISED = Bounds()


def words(score: Score, bounds: Bounds = PROMISED) -> dict[str, str]:
    return {each.what: each.word for each in verdicts(score, bounds)}


def test_a_promise_that_is_kept_passes():
    assert set(words(a_score()).values()) == {"PASS"}


def test_a_promise_that_is_missed_says_by_how_much():
    found = words(a_score(ours=1.5, given=(9,) * 100 + (21,) * 100))

    assert found["CRPS / oracle A"] == "MISSED by 0.420"
    assert found["CRPS / naive"] == "MISSED by 0.050"
    assert found["panels beyond the lead"] == "MISSED by 3.000"
    assert found["inside 90 %"] == "PASS"
    assert found["short, 99 % bound"] == f"MISSED by {at_most(100, 200) - 0.12:.3f}"


def test_a_forecast_that_is_too_unsure_breaks_its_promise_too():
    score = a_score()
    score.pits = {20: [0.5] * 100}

    assert words(score)["inside 90 %"] == "MISSED by 0.040"


def test_what_is_not_promised_is_not_judged():
    found = words(a_score(given=(0,) * 50), Bounds(short=None, excess=None))

    assert set(found) == {"CRPS / oracle A", "CRPS / naive", "inside 90 %"}


def test_nothing_is_promised_while_a_changed_law_is_learned():
    scores = {("law that changes", part): a_score(ours=9.0) for part in ("before", "1 to 30 after")}

    assert {title for title, _ in judged(scores)} == {"law that changes, before"}


def test_a_warning_with_exactly_the_lead_is_not_short():
    assert shortage([9, 10, 11]) == (1, 0.0)
    assert shortage([]) == (0, 0.0)


def test_scores_of_several_seeds_are_one():
    whole = merged([a_score(), a_score(ours=3.0)])

    assert whole.mean_crps("earlybell") == pytest.approx(2.0)
    assert (whole.lives, len(whole.all_pits())) == (400, 200)


def test_the_tables_have_a_row_for_each_scenario():
    lines = list(tables({("stable", ""): a_score()}, []))

    assert sum(line.startswith("| stable |") for line in lines) == 5 + 4
