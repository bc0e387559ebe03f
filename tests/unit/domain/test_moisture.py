"""The hours of the levels are those of J-STD-020, as several public pages repeat them. What resets and pauses
the clock is from memory of J-STD-033, table 4-3."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.moisture import (
    HOUR,
    MOST_CHANGES,
    Cared,
    Exposure,
    FloorRules,
    floor_life,
    note,
    read_level,
)

RULES = FloorRules()


def life_of(level, *changes, at, rules=RULES, label=None):
    """``changes``: (hour, change, humidity); ``at`` in hours."""
    exposure = Exposure(level=level, hours=label)
    for hour, change, *humidity in changes:
        note(exposure, Cared(round(hour * HOUR), change, *humidity))
    return floor_life(exposure, None, rules, round(at * HOUR))


@pytest.mark.parametrize(
    ("level", "exposed", "dry", "humidity", "left"),
    [
        ("3", 100, 0, 10, 68),
        ("3", 100, 1, 10, 68),
        ("3", 100, 5000, 10, 68),
        ("3", 10, 50, 10, 168),
        ("3", 10, 49, 10, 158),
        ("4", 8, 80, 5, 72),
        ("4", 8, 79, 5, 64),
        ("4", 8, 80, 10, 64),
        ("2", 100, 0, 10, 8660),
        ("2a", 72, 0, 10, 600),
        ("5", 8, 80, 5, 48),
        ("5a", 4, 0, 5, 20),
    ],
)
def test_what_is_left_after_an_exposure_and_a_stay_in_the_dry(level, exposed, dry, humidity, left):
    life = life_of(level, (0, "opened"), (exposed, "dry", humidity), at=exposed + dry)
    assert life.left == left * HOUR


def test_the_dry_doesnt_bring_back_what_is_over():
    life = life_of("5a", (0, "opened"), (24, "dry", 5), at=1000)
    assert (life.state, life.left, life.ends_at) == ("expired", 0, 24 * HOUR)


def test_a_bake_brings_back_what_is_over_and_the_clock_runs_from_its_end():
    life = life_of("3", (0, "opened"), (200, "baked"), at=210)
    assert (life.state, life.left) == ("exposed", 158 * HOUR)


def test_a_moist_cabinet_doesnt_stop_the_clock():
    life = life_of("5", (0, "opened"), (10, "dry", 10), at=30)
    assert (life.state, life.left, life.ends_at) == ("dry", 18 * HOUR, 48 * HOUR)


def test_the_pause_of_level_5_has_an_end():
    """80 hours are ours: the standard limits it, and we know no number of its."""
    begun = life_of("5", (0, "opened"), (10, "dry", 5), at=50)
    over = life_of("5", (0, "opened"), (10, "dry", 5), at=100)
    assert (begun.left, begun.ends_at) == (38 * HOUR, (10 + 80 + 38) * HOUR)
    assert over.left == 28 * HOUR


def test_exposure_adds_up_over_several_openings():
    changes = ((0, "opened"), (60, "sealed"), (100, "opened"), (150, "dry", 10), (900, "out"))
    life = life_of("3", *changes, at=910)
    assert (life.state, life.used, life.left) == ("exposed", 120 * HOUR, 48 * HOUR)
    assert life.ends_at == (910 + 48) * HOUR


def test_two_short_exposures_reset_only_together():
    """12 hours are the most in all, not at a time."""
    changes = ((0, "opened"), (7, "dry", 10), (10, "out"), (17, "dry", 10))
    assert life_of("3", *changes, at=500).left == (168 - 14) * HOUR


def test_a_stay_in_the_dry_says_when_it_makes_the_clock_begin_anew():
    life = life_of("3", (0, "opened"), (10, "dry", 10), at=20)
    assert (life.left, life.resets_at, life.ends_at) == (158 * HOUR, 60 * HOUR, None)


def test_level_1_has_no_end():
    life = life_of("1", (0, "opened"), at=100_000)
    assert (life.state, life.unlimited, life.left) == ("exposed", True, None)


def test_level_6_without_the_hours_of_its_label_is_unknown():
    life = life_of("6", (0, "baked"), at=1)
    assert (life.state, life.left, life.reason) == ("unknown", None, "label")


def test_level_6_counts_the_hours_of_its_label_from_the_bake():
    """6 h: of the one such label that was found."""
    assert life_of("6", (0, "baked"), at=2, label=6).left == 4 * HOUR
    unbaked = life_of("6", (0, "opened"), at=2, label=6)
    assert (unbaked.state, unbaked.reason) == ("expired", "bake")


def test_a_level_that_nobody_knows_is_unknown():
    for level in (None, "7"):
        life = life_of(level, (0, "opened"), at=1)
        assert (life.state, life.left, life.reason) == ("unknown", None, "level")


def test_who_doesnt_know_the_opening_knows_the_most_that_can_be_left():
    life = life_of("5a", (10, "loaded"), at=20)
    assert (life.state, life.left, life.at_most, life.over_by) == ("unknown", None, 14 * HOUR, 34 * HOUR)
    over = life_of("5a", (10, "loaded"), at=34)
    assert (over.state, over.left, over.used) == ("expired", 0, None)


def test_what_nobody_opened_has_all_of_it():
    assert life_of("3", (0, "sealed"), at=9000).left == 168 * HOUR
    assert life_of("3", (0, "sealed"), (9000, "loaded"), at=9001).left == 167 * HOUR
    assert life_of("3", at=1).state == "unknown"


def test_the_climate_of_the_hall_shortens_it():
    rules = FloorRules(factor=0.5)
    assert life_of("3", (0, "opened"), at=4, rules=rules).left == 80 * HOUR
    # What counts as short is shortened as well: 10 h in such a hall are as 20.
    assert life_of("3", (0, "opened"), (10, "dry", 10), at=100, rules=rules).left == 74 * HOUR


def test_the_label_of_the_supply_goes_before_the_level_of_the_part():
    exposure = Exposure(level="5a", changes=[Cared(0, "opened")])
    assert floor_life(exposure, "3", RULES, HOUR).limit == 24 * HOUR
    assert floor_life(Exposure(changes=[Cared(0, "opened")]), "3", RULES, HOUR).limit == 168 * HOUR


@pytest.mark.parametrize(
    ("said", "level"),
    [("MSL3", "3"), ("3", "3"), (3, "3"), ("2A", "2a"), (" msl 5a ", "5a"), ("Level 4", "4"), ("MSL-6", "6")],
)
def test_a_level_is_read_as_people_write_it(said, level):
    assert read_level(said) == level


@pytest.mark.parametrize("junk", ["", "three", None, True, [], "33", 0, -3, 3.5, "3" * 5000, 2**70])
def test_what_is_no_level_isnt_taken_for_one(junk):
    assert read_level(junk) is None


HOURS = st.integers(0, 400)
CHANGES = st.lists(
    st.builds(
        lambda hour, change, humidity: Cared(hour * HOUR, change, humidity if change == "dry" else None),
        HOURS,
        st.sampled_from(("opened", "sealed", "dry", "out", "baked", "loaded")),
        st.sampled_from((None, 3.0, 5.0, 10.0, 30.0)),
    ),
    max_size=12,
)
LEVELS = st.sampled_from(("2", "2a", "3", "4", "5", "5a"))


@given(changes=CHANGES, level=LEVELS, ticks=st.lists(HOURS, min_size=2, max_size=12))
def test_exposure_never_falls_but_by_what_resets_it(changes, level, ticks):
    exposure = Exposure(level=level)
    for each in changes:
        note(exposure, each)
    lives = [floor_life(exposure, None, RULES, hour * HOUR) for hour in sorted(ticks)]
    for hour, before, after in zip(sorted(ticks), lives, lives[1:], strict=False):
        if before.used is None or after.used is None or after.used >= before.used:
            continue
        baked = any(each.change == "baked" and each.at > hour * HOUR for each in exposure.changes)
        rested = any(each.change == "dry" and (each.humidity or 10.0) <= 10.0 for each in exposure.changes)
        assert baked or rested
        assert baked or before.used <= 12 * HOUR


@given(changes=CHANGES, level=LEVELS, seed=st.randoms(use_true_random=False), at=HOURS)
def test_the_order_in_which_it_is_told_changes_nothing(changes, level, seed, at):
    shuffled = list(changes)
    seed.shuffle(shuffled)
    lives = []
    for order in (changes, shuffled):
        exposure = Exposure(level=level)
        for each in order:
            note(exposure, each)
        lives.append(floor_life(exposure, None, RULES, at * HOUR))
    assert lives[0] == lives[1]


@given(changes=CHANGES, level=LEVELS, at=HOURS)
def test_time_alone_ends_it_when_it_said_that_it_would(changes, level, at):
    exposure = Exposure(level=level)
    for each in changes:
        if each.at <= at * HOUR:
            note(exposure, each)
    life = floor_life(exposure, None, RULES, at * HOUR)
    moment = life.ends_at or life.over_by
    if moment is not None and life.state != "expired":
        assert floor_life(exposure, None, RULES, moment - 1).state != "expired"
        assert floor_life(exposure, None, RULES, moment).state == "expired"


def test_whoever_opens_too_often_loses_the_oldest_stays_in_the_dry():
    exposure = Exposure(level="2")
    for hour in range(0, 400, 2):
        note(exposure, Cared(hour * HOUR, "opened"))
        note(exposure, Cared((hour + 1) * HOUR, "dry", 10))
    assert len(exposure.changes) <= MOST_CHANGES
    life = floor_life(exposure, None, RULES, 400 * HOUR)
    assert 200 * HOUR <= (life.used or 0) <= 400 * HOUR
