"""What becomes of warnings, as stories; and when late ones are more than chance, against scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from service.domain import record
from service.domain.history import MOST_OUTCOMES, Outcome
from service.domain.horizon import Horizon
from service.domain.inquiry import Question
from service.domain.model import SECOND
from service.domain.outlook import chance_due
from service.domain.policy import Limits, Policy, SlotRule, WarnRule
from service.domain.world import World
from tests.support.story import START, Story

LEAD = Limits().lead_panels


def feeding(left: int, *, kind: str = "tray", usage: int = 1, policy: Policy | None = None) -> Story:
    """A slot that was loaded in time; a tray holds what it says, so that its panels are known."""
    story = Story(policy)
    story.recipe({"F1": usage})
    story.first("F1")
    story.load("F1", left, kind=kind)
    return story


def until_warned(story: Story, usage: int = 1) -> int:
    """Panels that passed until the first warning."""
    panels = 0
    while story.slot("F1").warned is None:
        story.run(1, {"F1": usage})
        panels += 1
        assert panels < 2000
    return panels


def outcomes(story: Story, kind: str = "tray") -> list[Outcome]:
    return story.world.memory.record(kind).outcomes


def only(story: Story, kind: str = "tray") -> Outcome:
    (outcome,) = outcomes(story, kind)
    return outcome


# --- what was given ----------------------------------------------------------------------------------------


def test_a_first_warning_keeps_what_it_promises_and_its_forecast():
    story = feeding(100)
    until_warned(story)
    warned = story.slot("F1").warned
    assert warned is not None
    assert (warned.lead, warned.chance, warned.apart) == (LEAD, 0.1, False)
    panels = story.notice("F1").panels_to_empty
    assert panels is not None
    assert (warned.deciles[0], warned.deciles[9]) == (panels.p05, panels.p95)
    assert warned.deciles == sorted(warned.deciles)
    assert len(warned.deciles) == 10


@pytest.mark.parametrize(("after", "late"), [(LEAD, 0.0), (LEAD - 1, 1.0)])
def test_panels_that_were_completed_count_and_the_one_in_work_does_not(after, late):
    story = feeding(100)
    until_warned(story)
    story.run(after, {"F1": 1})
    story.out("F1")
    outcome = only(story)
    assert (outcome.given, outcome.late, outcome.lead) == (after, late, LEAD)
    assert (outcome.line, outcome.station, outcome.slot) == ("L3", "P1", "F1")
    assert story.slot("F1").warned is None


def test_an_end_is_judged_once():
    story = feeding(100)
    until_warned(story)
    story.run(LEAD, {"F1": 1})
    story.out("F1")
    story.out("F1", ago=1.0)
    story.green()
    story.load("F1", 100)
    assert len(outcomes(story)) == 1


def test_a_supply_of_known_quantity_that_ends_as_told_is_inside_its_forecast():
    story = feeding(100)
    until_warned(story)
    warned = story.slot("F1").warned
    assert warned is not None
    story.run(warned.deciles[5], {"F1": 1})
    story.out("F1")
    outcome = only(story)
    assert outcome.covered is True
    assert outcome.decile is not None
    kept = story.world.memory.record("tray")
    assert (kept.judged, kept.ended, kept.covered, kept.late, kept.apart) == (1, 1, 1, 0.0, 0)


def test_one_that_ends_long_before_its_forecast_is_outside_and_in_the_lowest_tenth():
    story = feeding(1000, kind="tape", usage=2)
    until_warned(story, usage=2)
    story.run(2, {"F1": 2})
    story.out("F1")
    outcome = only(story, "tape")
    assert (outcome.covered, outcome.decile, outcome.late) == (False, 0, 1.0)


def test_an_end_that_nobody_was_warned_of_gave_no_panel():
    story = feeding(100)
    story.run(50, {"F1": 1})
    story.out("F1")
    outcome = only(story)
    assert (outcome.given, outcome.late, outcome.covered, outcome.decile) == (0, 1.0, None, None)
    assert not outcome.apart


def test_it_is_missed_once_whatever_happens_to_its_notice():
    story = feeding(100)
    story.run(50, {"F1": 1})
    story.out("F1")
    story.order("A", "running", panels=50)
    story.order("A", "finished")
    story.order("B", "running", panels=50)
    assert story.notice("F1").level == "empty"
    assert len(outcomes(story)) == 1


def test_where_no_quantity_was_known_nothing_was_promised():
    story = Story()
    story.recipe({"F1": 1})
    story.first("F1")
    story.run(5, {"F1": 1})
    story.out("F1")
    assert story.notice("F1").level == "empty"
    assert outcomes(story, "unknown") == []


def test_a_warning_that_was_withdrawn_and_never_came_again_is_missed():
    policy = Policy(warn=Limits(lead_panels=20))
    story = feeding(100, policy=policy)
    until_warned(story)
    story.set_policy(Policy(warn=Limits(lead_panels=3)))
    assert story.notice("F1").closed_because == "better"
    story.out("F1")
    assert [outcome.given for outcome in outcomes(story)] == [0]


def test_slots_that_feed_the_same_placements_are_empty_together():
    story = Story()
    story.recipe({"F1": 1, "F2": 1}, alternates=[["F1", "F2"]])
    story.first("F1", "F2")
    story.load("F1", 20, kind="tray")
    story.load("F2", 60, kind="tray")
    story.run(20, {"F1": 1})
    story.out("F1")
    assert outcomes(story) == [], "the other one still feeds"
    while not story.live():
        story.run(1, {"F2": 1})
    story.run(LEAD, {"F2": 1})
    story.out("F1", "F2")
    assert only(story).given == LEAD


# --- what was refilled before it was empty -----------------------------------------------------------------


def test_a_refill_after_the_lead_says_that_the_panels_were_there():
    story = feeding(1000, kind="tape", usage=2)
    until_warned(story, usage=2)
    story.run(LEAD, {"F1": 2})
    story.load("F1", 1000)
    outcome = only(story, "tape")
    assert (outcome.given, outcome.late, outcome.covered, outcome.decile) == (None, 0.0, None, None)
    assert story.world.memory.record("tape").ended == 0


@pytest.mark.parametrize("how", ["loaded", "joined", "removed"])
def test_a_refill_before_counts_by_the_chance_that_it_would_have_been_late(how):
    story = feeding(1000, kind="tape", usage=2)
    until_warned(story, usage=2)
    story.run(4, {"F1": 2})
    case = story.case("F1")
    assert case is not None
    # Late: fewer than ten panels in all, so fewer than six more, so at most five.
    would_have_been = chance_due(case.question, LEAD - 4 - 1, None)
    story.supply(how, "F1", quantity=None if how == "removed" else 1000)
    outcome = only(story, "tape")
    assert outcome.late == would_have_been
    assert 0.0 < outcome.late < 1.0
    assert outcome.given is None


def test_word_of_a_refill_that_comes_late_is_judged_as_of_its_moment():
    story, other = feeding(1000, kind="tape", usage=2), feeding(1000, kind="tape", usage=2)
    for each in (story, other):
        until_warned(each, usage=2)
        each.run(2, {"F1": 2})
    story.load("F1", 1000)
    loaded = other.now
    other.run(3, {"F1": 2})
    other.load("F1", 1000, ago=(other.now - loaded) / SECOND - 1.0)
    late = only(story, "tape").late
    assert only(other, "tape").late == pytest.approx(late, abs=0.004), "what was lost since is known as well"


def test_a_persons_count_says_how_it_would_have_gone():
    for left, late in ((3, 1.0), (60, 0.0)):
        story = feeding(1000, kind="tape", usage=2)
        until_warned(story, usage=2)
        story.counted("F1", left)
        outcome = only(story, "tape")
        assert outcome.late == pytest.approx(late, abs=0.02)
        assert outcome.given is None


def test_a_refill_that_only_counts_show_tells_no_more_than_was_promised():
    policy = Policy(slots=[SlotRule(slot="F1", full=1000)], rules=[WarnRule(slot="F1", lead_panels=200)])
    story = feeding(1000, kind="tape", usage=10, policy=policy)
    until_warned(story, usage=10)
    story.run(120, {"F1": 10})
    assert story.notice("F1").loading != "first"
    assert [outcome.late for outcome in outcomes(story, "tape")] == [0.1]


def test_an_order_that_ends_says_nothing_unless_the_panels_were_there():
    for panels, known in ((LEAD - 1, 0), (LEAD, 1)):
        story = feeding(100)
        until_warned(story)
        story.run(panels, {"F1": 1})
        story.order("A", "running", panels=500)
        story.order("A", "finished")
        assert story.slot("F1").warned is None
        assert [outcome.late for outcome in outcomes(story)] == [0.0] * known


def test_a_person_who_closes_the_notice_does_not_end_the_promise():
    story = feeding(100)
    until_warned(story)
    story.close(story.notice("F1").id)
    story.run(LEAD - 2, {"F1": 1})
    story.out("F1")
    assert [outcome.given for outcome in outcomes(story)] == [LEAD - 2]


# --- what couldn't come earlier ----------------------------------------------------------------------------


def apart(story: Story) -> bool:
    warned = story.slot("F1").warned
    assert warned is not None
    return warned.apart


def test_a_load_below_the_lead_is_apart():
    story = feeding(LEAD - 2)
    assert apart(story)
    story.run(LEAD - 2, {"F1": 1})
    story.out("F1")
    kept = story.world.memory.record("tray")
    assert (kept.judged, kept.late, kept.apart) == (0, 0.0, 1)


def test_so_is_one_whose_usage_shows_with_the_first_count():
    story = Story()
    story.first("F1")
    story.load("F1", 6, kind="tray")
    story.run(1, {"F1": 1})
    assert apart(story)


def test_so_is_what_an_order_a_recipe_a_setting_or_a_signal_brought_about():
    story = feeding(30)
    story.recipe({"F1": 5})
    assert apart(story)
    story = feeding(30)
    story.set_policy(Policy(warn=Limits(lead_panels=40)))
    assert apart(story)
    story = feeding(18)
    story.order("A", "running", panels=12)
    story.run(12, {"F1": 1})
    assert story.slot("F1").warned is None
    story.run(1, {"F1": 1})
    assert apart(story), "the order was over-run, so that nothing limits any more"


def test_so_is_what_was_asked_of_an_order_that_ends_before_the_lead():
    story = Story()
    story.recipe({"F1": 1})
    story.first("F1")
    story.load("F1", 500, kind="tray")
    story.order("A", "running", panels=500)
    story.run(494, {"F1": 1})
    story.counted("F1", 5)
    assert apart(story)


def test_so_is_an_end_that_came_sooner_after_the_loading_than_the_lead():
    story = feeding(100)
    story.run(LEAD - 1, {"F1": 1})
    story.out("F1")
    assert only(story).apart


# --- deciles -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("a", [0.5, 4.0])
@pytest.mark.parametrize("left", [7, 90, 4000])
def test_deciles_are_the_least_panels_that_reach_their_share(left, a):
    """Against the definition, panel by panel."""
    spread = np.rint(left * np.linspace(0.9, 1.05, 12))
    question = Question(
        horizon=Horizon(usage=3.0), left=spread, weight=np.full(12, 1 / 12), a=a, b=100.0, blind=0.0
    )
    shares = [0.05 + 0.1 * number for number in range(10)]
    expected = [
        next(panels for panels in range(2000) if chance_due(question, panels, None) >= share - 1e-12)
        for share in shares
    ]
    assert record.deciles(question) == expected


@pytest.mark.parametrize(("few", "many"), [(1.0, 6.0), (6.0, 20.0), (20.0, 100.0)])
def test_ends_that_follow_their_forecasts_fall_evenly_into_the_tenths(few, many):
    """Poisson ends of scipy.stats whose law is the forecast. How coarse ten quantiles of few panels are
    evens out over many forecasts; a forecast a fifth too low shows all the same."""
    chance = np.random.default_rng(7)
    right, low = np.zeros(10), np.zeros(10)
    for mean in chance.uniform(few, many, 3000):
        deciles = [int(each) for each in stats.poisson.ppf(np.arange(0.05, 1.0, 0.1), mean)]
        lot = float(chance.random())
        right[record.tenth(deciles, int(chance.poisson(mean)), lot)] += 1
        low[record.tenth(deciles, int(chance.poisson(mean * 1.25)), lot)] += 1
    assert right / 3000 == pytest.approx(0.1, abs=0.02)
    assert low[8:].sum() > 1.3 * right[8:].sum()


def test_the_lot_is_the_same_in_a_replay():
    tales = [feeding(1000, kind="tape", usage=2) for _ in range(2)]
    for story in tales:
        until_warned(story, usage=2)
        story.run(12, {"F1": 2})
        story.out("F1")
    assert outcomes(tales[0], "tape") == outcomes(tales[1], "tape")


# --- whether the promise is kept ---------------------------------------------------------------------------


@pytest.mark.parametrize("chance", [0.01, 0.05, 0.1, 0.2, 0.5, 0.9])
@pytest.mark.parametrize("warnings", [10, 60, 100])
def test_late_ones_beyond_chance_are_those_whose_binomial_tail_is_below_one_in_a_hundred(warnings, chance):
    """Against scipy.stats.binom."""
    law = stats.binom(warnings, chance)
    expected = next(late for late in range(warnings + 2) if law.sf(late - 1) < 0.01)
    assert record.beyond_chance(warnings, chance) == expected


def test_thirteen_of_sixty_are_too_many_where_one_in_ten_is_promised():
    """scipy.stats.binom(60, 0.1).sf: 0.0146 for 12 and more, 0.0057 for 13 and more."""
    assert record.beyond_chance(60, 0.1) == 13


def outcome(late: float, *, is_apart: bool = False, at: int = 0) -> Outcome:
    return Outcome(START + at, "L3", "P1", "F1", 10, None, late, 0.1, apart=is_apart)


def told(world: World, lates: list[float], kind: str = "tape") -> list[str]:
    said = [each for at, late in enumerate(lates) for each in record.note(world, kind, outcome(late, at=at))]
    return [f"{each.change} {each.notice.about}" for each in said]


def test_too_many_late_warnings_of_a_kind_open_a_notice_that_ends_when_it_is_as_promised_again():
    world = World()
    assert told(world, [0.0] * 48 + [1.0] * 12) == []
    (opened,) = record.note(world, "tape", outcome(1.0))
    notice = opened.notice
    assert (notice.kind, notice.about, notice.level, notice.line) == ("promise", "tape", "urgent", None)
    assert notice.message.startswith(
        "Reels: 13 of the last 60 warnings came with fewer panels than asked; at most 6 are expected."
    )
    assert told(world, [0.0] * 47) == [], "those before are still among the last sixty"
    assert told(world, [0.0] * 6) == []
    assert told(world, [0.0]) == ["closed tape"], "six of sixty"


def test_a_notice_is_told_once_while_it_goes_on():
    assert told(World(), [1.0] * 80) == ["opened tape"]


def test_fewer_warnings_than_sixty_prove_nothing():
    assert told(World(), [1.0] * 59) == []


def test_kinds_of_supply_stand_for_themselves():
    world = World()
    told(world, [1.0] * 30, "tape")
    assert told(world, [1.0] * 30, "tray") == []


def test_what_could_not_come_earlier_neither_breaks_nor_keeps_a_promise():
    world = World()
    for at in range(100):
        assert record.note(world, "tape", outcome(1.0, is_apart=True, at=at)) == []
    assert told(world, [1.0] * 59) == []


def test_chances_of_having_been_late_add_up():
    assert told(World(), [0.2] * 60) == []
    assert told(World(), [0.25] * 60) == ["opened tape"]


def test_a_record_remembers_the_last_outcomes_and_sums_all():
    world = World()
    told(world, [0.0] * MOST_OUTCOMES + [1.0] * 5)
    kept = world.memory.record("tape")
    assert (len(kept.outcomes), kept.judged, kept.late) == (MOST_OUTCOMES, MOST_OUTCOMES + 5, 5.0)
    assert "record/tape" in world.touched


def trips(late_share: float, *, runs: int, seed: int) -> float:
    """In how many of so many runs of a hundred warnings the monitor speaks."""
    chance = np.random.default_rng(seed)
    lates = (chance.random((runs, 100)) < late_share).astype(float)
    return float(np.mean([bool(told(World(), list(run))) for run in lates]))


def test_warnings_that_keep_their_promise_hardly_ever_trip_the_monitor_and_twice_as_many_late_ones_do():
    """Late shares: 8 of 100, about the most that ``make calibrate`` measures where the promise is kept, and
    double what is promised. At exactly the promised tenth the monitor, which looks after each warning, trips
    in one of seven runs of 400 warnings: it is watched for long, and ten of a hundred is the edge."""
    assert trips(0.08, runs=1000, seed=1) <= 0.02
    assert trips(0.2, runs=200, seed=2) >= 0.6
