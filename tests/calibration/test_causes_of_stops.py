"""Why stations stood, against the simulator's truth (``make causes`` tries more of it, and for longer)."""

from __future__ import annotations

import pytest

from tests.evaluation.causes import Confusion, confusion
from tests.evaluation.plants import PLANTS


@pytest.fixture(scope="module")
def day() -> Confusion:
    return confusion(PLANTS["day"].shift(seed=11, hours=2.0))


def test_at_least_97_percent_of_stop_minutes_get_the_right_cause(day: Confusion) -> None:
    stood = sum(minutes for (was, _), minutes in day.minutes.items() if was != "worked")
    assert stood > 60
    assert day.share() >= 0.97


def test_nobody_is_blamed_who_was_held_or_got_nothing(day: Confusion) -> None:
    assert (day.wronged_stops, round(day.wronged, 1), round(day.unknown, 1)) == (0, 0.0, 0.0)


def test_a_station_that_works_is_hardly_ever_said_to_stand(day: Confusion) -> None:
    worked = {found: minutes for (was, found), minutes in day.minutes.items() if was == "worked"}
    assert sum(minutes for found, minutes in worked.items() if found != "worked") < 0.01 * worked["worked"]


def test_what_is_said_to_be_sure_is_right(day: Confusion) -> None:
    sure = sum(minutes for band, minutes in day.sure.items() if band >= 0.9)
    assert sum(day.right[band] for band in day.sure if band >= 0.9) >= 0.98 * sure
