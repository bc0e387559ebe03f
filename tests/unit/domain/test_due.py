"""Due and urgent, exactly as they are defined; and the levels and the hysteresis that follow from them."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.domain import judge
from service.domain.feeding import surely_fine
from service.domain.model import Level
from service.domain.policy import Limits, Policy, WarnRule
from tests.support.story import Story

A, B = 1.0, 500.0
"""The belief of losses from a tray that nothing was counted from yet."""


def chance_below(panels: int, left: int, usage: int = 1) -> float:
    """P(panels to empty < ``panels``): more losses than ``left`` has to spare (scipy.stats.nbinom)."""
    if panels <= 0:
        return 0.0
    spare = left - panels * usage
    return float(1.0 - stats.nbinom.cdf(spare, A, B / (B + panels * usage))) if spare >= 0 else 1.0


def tray(left: int, policy: Policy | None = None, *, usage: int = 1, order: int | None = None) -> Story:
    story = Story(policy)
    story.recipe({"T2": usage}, "A")
    story.first("T2")
    if order is not None:
        story.order("o1", "running", recipe="A", panels=order)
    story.load("T2", left, kind="tray")
    return story


def chance(story: Story, panels: int) -> float:
    case = story.case("T2")
    assert case is not None
    return case.chance_within(panels)


def level(story: Story) -> Level | None:
    case = story.case("T2")
    assert case is not None
    sight = story.sight("T2")
    return judge.level_of(case, sight.limits, case.chance_within(judge.lead_of(sight, story.station())))


# --- the definition -------------------------------------------------------------------------------------


@pytest.mark.parametrize("left", [0, 1, 10, 11, 12, 13, 20, 60])
@pytest.mark.parametrize("lead", [0, 1, 3, 10])
def test_the_chance_is_that_of_at_most_lead_panels_rounded_to_a_millionth(left, lead):
    """Outside check: scipy.stats.nbinom."""
    assert chance(tray(left), lead) == pytest.approx(chance_below(lead + 1, left), abs=5.1e-7)


@pytest.mark.parametrize("needed", [1, 4, 10, 11, 12, 30])
def test_panels_that_the_orders_do_not_need_count_as_never_empty(needed):
    """P(X <= 10 and X < needed) = P(X < min(11, needed)). Outside check: scipy.stats.nbinom."""
    story = tray(8, order=needed)
    assert chance(story, 10) == pytest.approx(chance_below(min(11, needed), 8), abs=5.1e-7)


def test_due_is_a_chance_not_below_the_limit_and_the_limit_itself_is_due():
    exactly = chance(tray(12), 10)
    assert 0 < exactly < 1
    assert level(tray(12, Policy(warn=Limits(chance=exactly)))) is Level.EARLY
    assert level(tray(12, Policy(warn=Limits(chance=exactly + 1e-6)))) is None


def test_urgent_is_the_same_with_the_urgent_panels():
    exactly = chance(tray(5), 3)
    assert 0 < exactly < 1
    assert level(tray(5, Policy(warn=Limits(chance=exactly)))) is Level.URGENT
    assert level(tray(5, Policy(warn=Limits(chance=exactly + 1e-6)))) is Level.EARLY


def test_a_lead_of_zero_tells_only_of_the_panel_in_work():
    policy = Policy(warn=Limits(lead_panels=0, urgent_panels=0))
    assert level(tray(1, policy)) is None
    assert level(tray(0, policy)) is Level.URGENT
    assert level(tray(3, policy, usage=4)) is Level.URGENT


def test_urgent_panels_of_zero_are_urgent_when_the_panel_in_work_cannot_be_completed():
    policy = Policy(warn=Limits(urgent_panels=0))
    assert level(tray(1, policy)) is Level.EARLY
    assert level(tray(0, policy)) is Level.URGENT


def test_a_lead_below_the_urgent_panels_is_not_overtaken_by_them():
    """The page is silent: who wants to know two panels before is told two panels before, not three."""
    policy = Policy(warn=Limits(lead_panels=2))
    assert level(tray(3, policy)) is None
    assert level(tray(2, policy)) is Level.URGENT


def test_lead_minutes_are_a_second_way_to_be_due():
    policy = Policy(warn=Limits(lead_panels=2, urgent_panels=1, lead_minutes=10))
    story = Story(policy)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 60, kind="tray")
    story.run(20, {"T2": 1})
    assert story.told == [], "40 panels of 20 s are more than 13 minutes"
    story.run(10, {"T2": 1})
    assert story.words() == ["opened early"]
    opened = story.notice("T2").panels_to_empty
    assert opened is not None
    assert 29 <= opened.p50 <= 32, "ten minutes of 20 s are 30 panels"


def test_a_slot_without_quantity_or_usage_is_never_due():
    story = Story()
    story.recipe({"T2": 1})
    story.first("T2", "T3")
    story.run(5, {"T2": 1})
    story.load("T3", 1)
    assert story.told == []


@given(
    quantity=st.integers(0, 5000),
    kind=st.sampled_from(["tape", "tray", "bulk", None]),
    usage=st.sampled_from([0.5, 1, 7, 40]),
    queued=st.sampled_from([0, 1, 60]),
    rest=st.integers(1, 30),
    reports=st.lists(st.tuples(st.integers(0, 60), st.one_of(st.none(), st.integers(0, 4))), max_size=6),
    deltas=st.booleans(),
    alternates=st.sampled_from([[], [["F1", "F2"]]]),
    minutes=st.sampled_from([0, 2]),
)
def test_the_cheap_bound_never_calls_fine_what_is_due(
    quantity, kind, usage, queued, rest, reports, deltas, alternates, minutes
):
    story = Story(Policy(warn=Limits(lead_minutes=minutes)))
    story.recipe({"F1": usage}, "A", alternates=alternates)
    story.recipe({"F1": queued}, "B", active=False)
    story.count({"F1": (0, 0)}, session="a", seq=0, panels=0)
    story.order("o1", "running", recipe="A", panels=rest + len(reports))
    story.order("o2", "queued", recipe="B", panels=100)
    story.load("F1", quantity, kind=kind)
    placed = 0
    for number, (each, lost) in enumerate(reports, 1):
        placed += each
        count = {"F1": (each, lost) if deltas else (placed, lost)}
        counts = "delta" if deltas else "total"
        story.later(7).count(
            count, session="a", seq=2 * number, panels=1 if deltas else number, counts=counts
        )
    case, sight, station = story.case("F1"), story.sight("F1"), story.station()
    lead = judge.lead_of(sight, station)
    if surely_fine(story.slot("F1"), sight, lead):
        assert case is None or judge.level_of(case, sight.limits, case.chance_within(lead)) is None


def test_parts_that_counts_which_never_came_may_have_used_are_warned_of():
    story = Story()
    story.recipe({"T2": 10})
    story.load("T2", 300, kind="tray")
    story.count({"T2": (10, 0)}, session="a", seq=1, panels=1, counts="delta")
    assert story.told == []
    story.count({"T2": (10, 0)}, session="a", seq=27, panels=1, counts="delta")
    assert story.words() == ["opened early"]
    assert story.slot("T2").book == 280


def test_the_doubt_that_a_gap_left_warns_earlier_later_too():
    story = Story()
    story.recipe({"T2": 10})
    story.load("T2", 600, kind="tray")
    story.count({"T2": (10, 0)}, session="a", seq=1, panels=1, counts="delta")
    story.count({"T2": (10, 0)}, session="a", seq=27, panels=1, counts="delta")
    assert story.told == []
    for seq in range(28, 80):
        if story.count({"T2": (10, 0)}, session="a", seq=seq, panels=1, counts="delta"):
            break
    book = story.slot("T2").book
    assert book is not None
    assert 300 < book < 340, "of up to 250 missing parts, two twelfths are believed to be more than 200"


def test_a_slot_that_is_out_is_not_surely_fine_whatever_its_books_say():
    story = tray(5000)
    lead = judge.lead_of(story.sight("T2"), story.station())
    assert surely_fine(story.slot("T2"), story.sight("T2"), lead)
    story.out("T2")
    assert not surely_fine(story.slot("T2"), story.sight("T2"), lead)


def test_a_message_that_fills_a_hole_is_judged_like_any_other():
    story = Story()
    story.recipe({"T2": 10})
    story.load("T2", 400, kind="tray")
    story.count({"T2": (10, 0)}, session="a", seq=1, panels=1, counts="delta")
    story.count({}, session="a", seq=3, panels=0, counts="delta")
    story.count({"T2": (300, 0)}, session="a", seq=2, panels=30, counts="delta")
    assert story.words() == ["opened early"]


# --- levels ---------------------------------------------------------------------------------------------


def test_the_levels_come_one_after_the_other_each_once():
    story = tray(60)
    panels = []
    for _ in range(60):
        panels += [each.notice.panels_to_empty for each in story.run(1, {"T2": 1})]
    story.out("T2")
    story.out("T2")
    assert story.words() == ["opened early", "changed urgent", "changed empty"]
    assert len({each.notice.id for each in story.told}) == 1
    early, urgent = panels
    assert early is not None
    assert urgent is not None
    assert 9 <= early.p50 <= 11
    assert 2 <= urgent.p50 <= 4


def test_a_slot_that_is_urgent_at_once_is_told_once():
    assert tray(2).words() == ["opened urgent"]


def test_empty_is_said_by_the_out_signal_alone_never_by_the_books():
    story = tray(12)
    story.run(13, {"T2": 1})
    assert story.slot("T2").book == -1
    assert story.notice("T2").level == "urgent"
    story.out("T2")
    assert story.notice("T2").level == "empty"


def test_the_out_signal_opens_a_notice_of_a_slot_of_which_nothing_is_known():
    story = Story()
    story.out("T7")
    assert story.words() == ["opened empty"]
    assert story.notice("T7").panels_to_empty is None


def test_the_level_never_falls_while_the_notice_lives():
    story = tray(60)
    story.run(58, {"T2": 1})
    assert story.notice("T2").level == "urgent"
    story.counted("T2", 9)
    assert story.notice("T2").level == "urgent"
    story.run(1, {"T2": 1})
    assert story.words() == ["opened early", "changed urgent"]


# --- hysteresis -----------------------------------------------------------------------------------------


def test_a_value_at_the_edge_opens_once_and_closes_once():
    story = tray(20)
    for left in (13, 10, 11, 10, 11, 11, 10, 13, 14, 13, 13):
        story.counted("T2", left)
    assert story.words() == ["opened early", "closed better"]


def crossings(values: Iterable[int], *, opens: int, closes: int) -> int:
    """How often a value falls to ``opens`` after having been clear above, at ``closes`` or more."""
    below, found = False, 0
    for value in values:
        if value <= opens and not below:
            below, found = True, found + 1
        elif value >= closes:
            below = False
    return found


@given(st.lists(st.integers(9, 15), max_size=60))
def test_no_noise_around_the_edge_opens_more_than_each_real_crossing(values):
    """With chance 0.1 a tray opens at 10 left or fewer; it is clear of the edge at 12 (P(X <= 11) < 0.05)."""
    story = tray(20)
    for left in values:
        story.counted("T2", left)
    assert chance_below(11, 11) < 0.1 <= chance_below(11, 10)
    assert chance_below(12, 12) < 0.05 <= chance_below(12, 11)
    opened = [word for word in story.words() if word == "opened early"]
    assert len(opened) == crossings(values, opens=10, closes=12)
    assert set(story.words()) <= {"opened early", "closed better"}


@given(st.lists(st.integers(-6, 6), min_size=1, max_size=80))
def test_a_tape_that_is_counted_again_and_again_never_flaps_within_the_hysteresis(noise):
    """Once open, it closes only where the chance of one panel beyond the lead is below half the limit."""
    story = Story()
    story.recipe({"F1": 4})
    story.load("F1", 52, kind="tape")
    for shift in noise:
        story.counted("F1", 46 + shift)
        case, sight = story.case("F1"), story.sight("F1")
        assert case is not None
        if story.live():
            assert case.chance_within(11) >= 0.05
        else:
            assert case.chance_within(10) < sight.limits.chance


def test_a_longer_lead_has_a_wider_hysteresis():
    story = tray(200, Policy(warn=Limits(lead_panels=100)))
    story.counted("T2", 100)
    assert story.live() == ["T2"]
    story.counted("T2", 108)
    assert story.live() == ["T2"]
    story.counted("T2", 115)
    assert story.live() == []


# --- other settings -------------------------------------------------------------------------------------


def test_a_rule_for_the_part_that_the_recipe_names_is_in_force_before_anything_is_loaded():
    story = Story(Policy(rules=[WarnRule(part="MCU*", lead_panels=25)]))
    story.recipe({"T2": 1}, parts={"T2": "MCU-48Q"})
    assert story.sight("T2").limits.lead_panels == 25


def test_other_limits_are_in_force_at_once():
    story = tray(30)
    assert story.live() == []
    told = story.set_policy(Policy(warn=Limits(lead_panels=40))) or []
    assert story.words(told) == ["opened early"]
    told = story.set_policy(Policy(warn=Limits(lead_panels=5))) or []
    assert story.words(told) == ["closed better"]
