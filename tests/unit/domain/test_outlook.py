"""Panels to empty, against brute force, simulation and the rule of the trays."""

from __future__ import annotations

from dataclasses import replace
from itertools import count

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri

from service.domain import depletion
from service.domain.depletion import PRIOR, chance_short_one, learn
from service.domain.horizon import Horizon, parts_needed
from service.domain.inquiry import MOST, Question, Questions
from service.domain.law import normal, usual
from service.domain.outlook import FAR, chance_due, chances_due, left_quantiles, panels_to_empty

USAGES = st.sampled_from([0.25, 0.5, 1.0, 1.5, 2.0, 7.0, 18.0, 120.0])


@st.composite
def horizons(draw):
    usage = draw(USAGES)
    steps = draw(st.lists(st.tuples(st.integers(0, 300), st.just(usage) | USAGES | st.just(0.0)), max_size=4))
    return Horizon(steps=tuple(steps), usage=usage, taken=draw(st.floats(0.0, 1.0)) * usage)


@st.composite
def questions(draw):
    kind = draw(st.sampled_from([None, "tape", "tray", "bulk"]))
    declared = draw(st.integers(0, 12_000))
    counted = draw(st.integers(0, declared + 100))
    left, weight = usual(kind, declared, exact=draw(st.booleans())).left(declared - counted)
    return Question(
        horizon=draw(horizons()),
        left=left,
        weight=weight,
        a=draw(st.floats(0.5, 40.0)),
        b=draw(st.floats(50.0, 1000.0)),
        blind=float(draw(st.sampled_from([0, 0, 1, 40, counted]))),
    )


def of(kind, declared, counted, usage, *, lost=0, blind=0, taken=0.0, steps=()):
    """A slot whose every count said how many parts were lost (unless ``blind``)."""
    left, weight = usual(kind, declared).left(declared - counted)
    prior = PRIOR[kind]
    evidence = (0.0, 0.0) if blind else learn(0.0, 0.0, counted - lost, lost)
    return Question(
        horizon=Horizon(steps=steps, usage=usage, taken=taken),
        left=left,
        weight=weight,
        a=prior.a + evidence[0],
        b=prior.b + evidence[1],
        blind=float(blind),
    )


def chance_below(question, panels):
    """P(X < panels), the scalar way."""
    if panels <= 0:
        return 0.0
    need = parts_needed(question.horizon, panels)
    return chance_short_one(need, question.left, question.weight, question.a, question.b, question.blind)


def counted_up(question):
    """The three quantiles by asking for every number of panels in turn."""
    return [next(x for x in count() if chance_below(question, x + 1) >= p) for p in (0.05, 0.5, 0.95)]


# --- parts --------------------------------------------------------------------------------------------


def test_no_more_panels_need_no_more_parts():
    assert parts_needed(Horizon(usage=18.0, taken=5.0), 0) == 0.0


def test_what_the_panel_in_work_has_taken_is_not_needed_again():
    assert parts_needed(Horizon(usage=18.0, taken=5.0), 1) == 13.0
    assert parts_needed(Horizon(usage=18.0, taken=18.0), 1) == 0.0


def test_orders_are_used_up_one_after_the_other_and_then_usage_goes_on():
    horizon = Horizon(steps=((10, 2.0), (5, 0.0), (4, 3.0)), usage=7.0, taken=1.0)
    needed = [parts_needed(horizon, panels) for panels in (1, 10, 15, 16, 19, 21)]
    assert needed == [1.0, 19.0, 19.0, 22.0, 31.0, 45.0]


@given(asked=st.lists(questions(), min_size=1, max_size=5), panels=st.integers(0, 2000))
def test_many_slots_need_the_same_parts_as_each_alone(asked, panels):
    together = Questions.of(asked).parts_needed(np.full(len(asked), float(panels)))
    assert together[:, 0].tolist() == [parts_needed(question.horizon, panels) for question in asked]


@given(question=questions(), parts=st.floats(0.0, 20_000.0))
def test_the_panels_for_some_parts_are_the_most_that_need_no_more(question, parts):
    panels = Questions.of([question]).panels_for(np.array([[parts]]), slice(1)).item()
    whole = int(np.floor(panels + 1e-9))
    assert parts_needed(question.horizon, whole) <= parts + 1e-6
    assert parts_needed(question.horizon, whole + 1) > parts - 1e-6


# --- panels to empty ------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(asked=st.lists(questions(), min_size=1, max_size=4))
def test_the_quantiles_are_those_found_by_asking_for_every_number_of_panels(asked):
    """To the panel where it may matter soon; far away within three per cent, which is how coarse the twelve
    possibilities are there."""
    for question, found in zip(asked, panels_to_empty(Questions.of(asked)).tolist(), strict=True):
        for x, p in zip(found, (0.05, 0.5, 0.95), strict=True):
            give, odd = (0, 0.0) if found[0] <= FAR else (1 + int(0.03 * x), 0.01)
            assert chance_below(question, x + 1 + give) >= p - odd
            assert chance_below(question, x - give) < p + odd


def test_counting_panels_one_by_one_comes_to_the_same():
    asked = [
        of("tray", 60, 22, 1.0),
        of("tape", 4000, 3790, 18.0, lost=12, taken=6.0),
        of("tape", 3000, 2700, 2.0, blind=2700, steps=((20, 2.0), (30, 1.0))),
        of("bulk", 5000, 4600, 0.5, steps=((100, 0.5),)),
    ]
    found = panels_to_empty(Questions.of(asked)).tolist()
    counted = [counted_up(question) for question in asked]
    assert found[0] == counted[0]
    assert found[1] == counted[1]
    assert np.allclose(found, counted, rtol=0.04, atol=1.0)


def test_far_from_empty_the_closed_form_is_right_to_the_panel_or_half_a_per_cent():
    """Drawn slots against the exact search over 300 possibilities instead of twelve: no more than one in a
    hundred is off by more, none by five per cent."""
    chance = np.random.default_rng(3)
    coarse, fine = [], []
    for _ in range(3000):
        declared, usage = int(chance.choice([500, 3000, 10_000])), float(chance.choice([0.5, 1, 2, 5, 13]))
        law = usual("tape", declared) if chance.random() < 0.5 else normal(-8.0, 6.0)
        book = float(chance.integers(declared // 10, declared))
        left, weight = law.left(book)
        order = (float(chance.integers(10, 300)), usage * float(chance.choice([0.0, 0.5, 2.0])))
        coarse.append(
            Question(
                horizon=Horizon(steps=(order,) if chance.random() < 0.4 else (), usage=usage),
                left=left,
                weight=weight,
                a=chance.uniform(0.5, 6.0),
                b=chance.uniform(100.0, 1500.0),
                blind=float(chance.choice([0, 0, 500, 3000])),
            )
        )
        many = ndtri((np.arange(300) + 0.5) / 300)
        parts = np.maximum(book + law.at(many), 1.0)
        fine.append(replace(coarse[-1], left=parts, weight=np.full(300, 1 / 300)))
    found = panels_to_empty(Questions.of(coarse))
    far = np.flatnonzero(found[:, 0] > FAR)
    assert len(far) > 1000
    truth = np.array([exact(fine[row]) for row in far[:400]])
    off = np.abs(found[far[:400]] - truth)
    assert ((off > 1) & (off > 0.005 * truth)).any(axis=1).sum() <= 4
    assert (off <= np.maximum(2, 0.05 * truth)).all()


def exact(question: Question) -> list[int]:
    """The quantiles by bisection over the chance itself."""
    found = []
    for share in (0.05, 0.5, 0.95):
        low, high = -1, 40_000
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if chance_below(question, middle + 1) >= share else (middle, high)
        found.append(high)
    return found


def test_a_chance_of_exactly_one_half_is_reached_by_the_median():
    one = Question(
        horizon=Horizon(usage=1.0), left=np.array([1.0]), weight=np.ones(1), a=1.0, b=1.0, blind=0.0
    )
    assert chance_below(one, 1) == 0.5
    assert panels_to_empty(Questions.of([one])).tolist() == [[0, 0, 1]]


@given(asked=st.lists(questions(), min_size=2, max_size=4))
def test_quantiles_are_ordered_and_the_same_alone_and_in_company(asked):
    together = panels_to_empty(Questions.of(asked))
    assert (together >= 0).all()
    assert (np.diff(together, axis=1) >= 0).all()
    assert together[0].tolist() == panels_to_empty(Questions.of(asked[:1]))[0].tolist()


def test_a_tray_of_sixty_is_due_ten_panels_ahead_when_fifty_are_placed():
    chances = [chance_due(of("tray", 60, placed, 1.0), 10, None) for placed in range(61)]
    assert next(placed for placed in range(61) if chances[placed] >= 0.1) == 50
    assert panels_to_empty(Questions.of([of("tray", 60, 50, 1.0)])).tolist() == [[10, 10, 10]]
    assert chances[50:60] == [1.0] * 10


def test_an_empty_looking_slot_that_feeds_has_no_further_panel_to_promise():
    question = of("tray", 60, 60, 1.0)
    assert panels_to_empty(Questions.of([question])).tolist() == [[0, 0, 0]]
    assert chance_due(question, 10, None) == 1.0


def test_what_nobody_uses_any_more_never_empties():
    question = of("tape", 4000, 1000, 0.0, steps=((10, 5.0),))
    assert panels_to_empty(Questions.of([question])).tolist() == [[int(MOST)] * 3]
    assert chance_due(question, 10_000, None) < 1e-6


def test_the_largest_numbers_a_gateway_may_send_give_an_answer():
    question = of("tape", 2**53 - 1, 0, 0.001)
    assert (panels_to_empty(Questions.of([question])) > 0).all()
    low, mean, high = left_quantiles(Questions.of([question]))
    assert 0 < low.item() <= mean.item() <= high.item()


@pytest.mark.parametrize("blind", [0, 1790])
def test_panels_to_empty_are_what_a_simulation_of_panels_counts(blind):
    """40,000 simulated slots, seed 5: panel after panel until one can't be completed; 4 sigma."""
    chance = np.random.default_rng(5)
    question = of("tape", 2000, 1790, 4.0, blind=blind, steps=((30, 4.0), (20, 2.0)), taken=3.0)
    runs = 40_000
    odds = chance.gamma(question.a, 1.0 / question.b, runs)
    left = chance.choice(question.left, size=runs, p=question.weight / question.weight.sum())
    left -= chance.poisson(odds * question.blind)
    feeds, panels, alive = left > 0, np.zeros(runs), left > 0
    for panel in range(1, 400):
        placed = parts_needed(question.horizon, panel) - parts_needed(question.horizon, panel - 1)
        left -= placed + chance.poisson(odds * placed)
        alive = alive & (left >= 0)
        panels += alive
    for x in panels_to_empty(Questions.of([question]))[0].tolist():
        for k in (x, x + 1):
            expected = chance_below(question, k)
            tolerance = 4.0 * np.sqrt(expected * (1.0 - expected) / feeds.sum())
            assert (panels[feeds] < k).mean() == pytest.approx(expected, abs=tolerance)


# --- due ------------------------------------------------------------------------------------------------


@given(
    asked=st.lists(questions(), min_size=1, max_size=4),
    lead=st.integers(0, 200),
    needed=st.none() | st.integers(-1, 300),
)
def test_the_chance_that_due_compares_is_one_number_alone_and_in_company(asked, lead, needed):
    limit = np.inf if needed is None else float(needed)
    size = len(asked)
    together = chances_due(Questions.of(asked), np.full(size, float(lead)), np.full(size, limit))
    alone = [chance_due(question, lead, needed) for question in asked]
    assert together.tolist() == alone
    assert all(0.0 <= chance <= 1.0 and chance == round(chance, 6) for chance in alone)


@given(question=questions(), lead=st.integers(0, 200), needed=st.integers(0, 300), more=st.integers(1, 50))
def test_looking_further_ahead_never_lowers_the_chance(question, lead, needed, more):
    here = chance_due(question, lead, needed)
    assert chance_due(question, lead + more, needed) >= here
    assert chance_due(question, lead, needed + more) >= here
    assert chance_due(question, lead, None) >= here


def test_a_slot_that_outlasts_the_order_is_not_due():
    question = of("tray", 60, 55, 1.0)
    assert chance_due(question, 10, None) == 1.0
    assert chance_due(question, 10, 6) == 1.0
    assert chance_due(question, 10, 5) < 0.1
    assert chance_due(question, 10, 0) == 0.0


def test_due_at_a_lead_is_the_distribution_of_panels_to_empty():
    question = of("tape", 4000, 3790, 18.0, lost=12)
    _, p50, _ = panels_to_empty(Questions.of([question]))[0].tolist()
    assert chance_due(question, p50, None) >= 0.5 > chance_due(question, p50 - 1, None)


# --- what is left ---------------------------------------------------------------------------------------


def test_an_exact_remainder_is_one_number():
    low, mean, high = left_quantiles(Questions.of([of("tray", 60, 22, 1.0)]))
    assert (low.item(), mean.item(), high.item()) == (38, 38.0, 38)


def test_nothing_left_is_nothing_left():
    low, mean, high = left_quantiles(Questions.of([of("tray", 60, 60, 1.0)]))
    assert (low.item(), mean.item(), high.item()) == (0, 0.0, 0)


def test_the_parts_left_are_what_a_simulation_of_unreported_losses_leaves():
    """200,000 simulated supplies, seed 7; the mean within 4 sigma, the quantiles at theirs."""
    chance = np.random.default_rng(7)
    question = of("tape", 3000, 2800, 6.0, blind=2800)
    low, mean, high = (each.item() for each in left_quantiles(Questions.of([question])))
    runs = 200_000
    left = chance.choice(question.left, size=runs, p=question.weight / question.weight.sum())
    left -= chance.poisson(chance.gamma(question.a, 1.0 / question.b, runs) * question.blind)
    left = left[left > 0]
    assert mean == pytest.approx(left.mean(), abs=4.0 * left.std() / np.sqrt(left.size))
    slack = 4.0 * np.sqrt(0.05 * 0.95 / left.size)
    for quantile, p in ((low, 0.05), (high, 0.95)):
        assert (left <= quantile).mean() >= p - slack
        assert (left < quantile).mean() < p + slack


@given(question=questions())
def test_where_all_losses_were_reported_the_remainder_is_what_a_search_finds(question):
    """The least x with P(left < x + 1) >= p, counted part by part around the answer."""
    of = Questions.of([replace(question, blind=0.0)])
    low, _, high = (each.item() for each in left_quantiles(of))

    def chance(wanted: float) -> float:
        return depletion.chance_below(
            np.array([wanted]), of.blind, of.left, of.weight, of.feeding, of.a, of.b
        ).item()

    for found, p in ((low, 0.05), (high, 0.95)):
        assert chance(found + 1.0) >= p
        assert found == 0 or chance(float(found)) < p


@given(question=questions())
def test_the_remainder_never_lies_outside_what_is_believed(question):
    low, mean, high = (each.item() for each in left_quantiles(Questions.of([question])))
    most = max(question.left[question.weight > 0].max(), 0.0)
    assert 0 <= low <= high <= most
    assert -1e-6 <= mean <= most + 1e-6
