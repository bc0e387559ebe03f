"""The chance that a supply gives out, against published numbers, scipy.stats and plain simulation."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from service.domain.depletion import (
    PRIOR,
    Belief,
    chance_short,
    chance_short_one,
    expected_left,
    learn,
    still_feeding,
    surely_lasts,
)
from service.domain.law import usual

ONE = np.ones(1)
KINDS = st.sampled_from([None, "tape", "tray", "stick", "bulk"])
ODDS_A = st.floats(0.5, 60.0)
ODDS_B = st.floats(50.0, 1200.0)
BLIND = st.one_of(st.just(0.0), st.integers(1, 30_000).map(float))


@st.composite
def stocks(draw):
    """(left, weight) of a supply somewhere in its life, past its book end too."""
    declared = draw(st.integers(0, 20_000))
    counted = draw(st.integers(0, declared + 200))
    return usual(draw(KINDS), declared, exact=draw(st.booleans()), assumed=draw(st.booleans())).left(
        declared - counted
    )


def lasts(losses: int, *, a: float, b: float, placements: float) -> float:
    """P(at most ``losses`` parts are lost in ``placements`` placements), asked through the front door."""
    left = np.array([placements + losses])
    return 1.0 - chance_short_one(placements, left, ONE, a, b, 0.0)


def of_one(need, left, weight, a, b, blind):
    return chance_short(
        np.array([need]), left[None, :], weight, np.array([a]), np.array([b]), np.array([blind])
    ).item()


# --- the law of the losses ------------------------------------------------------------------------------


def test_the_third_strike_comes_on_the_seventh_well_as_often_as_the_textbook_says():
    """Penn State STAT 414, example 11-2, p = 0.2: third success on trial 7 0.049152, mean 15, variance 60.

    Four misses before the third strike are four losses under a belief a = 3 with b / (b + E) = 0.2.
    """
    misses = np.array([lasts(m, a=3.0, b=1.0, placements=4.0) for m in range(400)])
    law = np.diff(misses, prepend=0.0)
    assert law[4] == pytest.approx(0.049152, abs=1e-12)
    mean = (np.arange(400) * law).sum()
    assert 3 + mean == pytest.approx(15.0, abs=1e-9)
    assert (np.arange(400) ** 2 * law).sum() - mean**2 == pytest.approx(60.0, abs=1e-6)


def test_waiting_for_good_ones_and_counting_good_ones_are_two_views_of_one_thing():
    """P(115 good within 120 picks at 98.5 %) = P(Bin(120, 0.985) >= 115) = 0.9902429595 (recomputed)."""
    waiting = lasts(5, a=115.0, b=197.0, placements=3.0)  # 197 / 200 = 0.985
    assert waiting == pytest.approx(0.9902429595, abs=5e-11)
    assert waiting == pytest.approx(stats.binom.sf(114, 120, 0.985), abs=1e-12)


def test_a_hundred_and_twenty_good_placements_need_124_parts_at_95_percent_and_126_at_99():
    """Negative binomial at p = 0.985: q95 = 124, q99 = 126 (recomputed)."""
    chances = [lasts(m, a=120.0, b=197.0, placements=3.0) for m in range(10)]
    assert 120 + next(m for m in range(10) if chances[m] >= 0.95) == 124
    assert 120 + next(m for m in range(10) if chances[m] >= 0.99) == 126


@given(a=ODDS_A, b=ODDS_B, placements=st.integers(1, 20_000), losses=st.integers(0, 2_000))
def test_the_losses_are_scipys_negative_binomial(a, b, placements, losses):
    expected = stats.nbinom.cdf(losses, a, b / (b + placements))
    assert lasts(losses, a=a, b=b, placements=placements) == pytest.approx(expected, abs=1e-11)


@pytest.mark.parametrize(
    ("placements", "good", "lost", "no_loss", "q50", "q90", "q95", "q99"),
    [
        # Beta-negative-binomial quantiles and P(0); the first row is scipy's own documented test case.
        (5, 9.3, 1.0, 0.6503496503, 0, 2, 3, 5),
        (100, 99.0, 3.0, 0.1249906, 3, 6, 8, 11),
        (100, 990.0, 30.0, 0.0580020, 3, 5, 6, 8),
        (200, 99.5, 2.5, 0.0644143, 4, 10, 13, 18),
    ],
)
def test_odds_for_a_probability_cost_less_than_one_percent(
    placements, good, lost, no_loss, q50, q90, q95, q99
):
    """Gamma odds instead of a Beta probability: a closed form for any real a, b, at most .0094 away."""
    ours = np.array([lasts(m, a=lost, b=good, placements=placements) for m in range(60)])
    exact = stats.betanbinom(placements, good, lost)
    assert ours[0] == pytest.approx(no_loss, abs=0.0094)
    # For 18 % lost the two laws part; that row is here for its P(0) and its quantiles.
    if lost / good < 0.05:
        assert np.abs(ours - exact.cdf(np.arange(60))).max() <= 0.0094
    for p, quantile in ((0.5, q50), (0.9, q90), (0.95, q95), (0.99, q99)):
        assert exact.ppf(p) == quantile
        assert abs(int(np.argmax(ours >= p)) - quantile) <= 1


@pytest.mark.parametrize(
    ("rate", "tolerance"), [(0.002, 0.0031), (0.005, 0.0031), (0.01, 0.0031), (0.03, 0.0094)]
)
def test_at_the_losses_of_a_good_line_odds_and_probability_agree_even_better(rate, tolerance):
    """The study behind the forecast: .0031 up to 1 % lost, .0094 up to 3 %, over a wide grid."""
    losses = np.arange(400)
    for a in (1.5, 3.0, 10.0):
        for placements in (20, 100, 500, 2000):
            ours = stats.nbinom.cdf(losses, a, (a / rate) / (a / rate + placements))
            exact = stats.betanbinom.cdf(losses, placements, a / rate, a)
            assert np.abs(ours - exact).max() <= tolerance


def test_knowing_the_loss_rate_only_roughly_asks_for_more_reserve():
    """q95 with the uncertain rate 8, with the plugged-in rate 6 (beta-negative-binomial table, row 2)."""
    uncertain = [lasts(m, a=3.0, b=99.0, placements=100.0) for m in range(40)]
    assert int(np.argmax(np.array(uncertain) >= 0.95)) == 8
    assert stats.nbinom.ppf(0.95, 100, 99.0 / 102.0) == 6


# --- learning -------------------------------------------------------------------------------------------


@given(
    placed=st.integers(1, 100_000),
    rate=st.floats(0.0, 0.2),
    cuts=st.lists(st.floats(0.001, 0.999), max_size=6),
    lost=st.floats(0.0, 30.0),
    placements=st.floats(0.0, 500.0),
)
def test_what_is_learned_does_not_depend_on_how_messages_cut_the_same_placements(
    placed, rate, cuts, lost, placements
):
    whole = learn(lost, placements, placed, placed * rate)
    marks = [0.0, *sorted(cuts), 1.0]
    pieces = (lost, placements)
    for start, end in pairwise(marks):
        pieces = learn(*pieces, placed * (end - start), placed * (end - start) * rate)
    assert pieces == pytest.approx(whole, rel=1e-9, abs=1e-9)


def test_evidence_fades_to_the_last_five_hundred_placements():
    lost, placed = learn(0.0, 0.0, 1_000_000, 20_000)
    assert (lost, placed) == pytest.approx((10.0, 500.0))
    assert learn(lost, placed, 500, 0)[0] == pytest.approx(10.0 / np.e)


def test_parts_lost_while_none_is_placed_count_in_full():
    assert learn(1.0, 200.0, 0, 3) == (4.0, 200.0)
    assert learn(1.0, 200.0, 1e-9, 3) == pytest.approx((4.0, 200.0))


def test_every_kind_has_its_usual_loss_before_anything_is_known():
    usual = {kind: belief.odds for kind, belief in PRIOR.items()}
    assert usual == pytest.approx({"tape": 0.005, "tray": 0.002, "stick": 0.002, "bulk": 0.01, None: 0.005})
    assert PRIOR["tape"] == Belief(1.5, 300.0)


# --- the chance ----------------------------------------------------------------------------------------


def test_the_chance_of_a_slow_slot_rises_without_dips_as_its_books_run_out():
    a, b = PRIOR["tape"].a, PRIOR["tape"].b
    chances = [
        chance_short_one(10.0, *usual("tape", 4000).left(book), a, b, 0.0) for book in range(600, -1, -1)
    ]
    assert (np.diff(chances) >= -0.005).all()
    assert chances[0] < 1e-3
    assert chances[-1] > 0.1


# --- the chance -----------------------------------------------------------------------------------------


@given(stock=stocks(), need=st.floats(0.0, 25_000.0), a=ODDS_A, b=ODDS_B, blind=BLIND)
def test_the_chance_is_a_probability_and_the_same_alone_and_in_company(stock, need, a, b, blind):
    left, weight = stock
    chance = chance_short_one(need, left, weight, a, b, blind)
    assert 0.0 <= chance <= 1.0
    assert of_one(need, left, weight, a, b, blind) == chance
    company = chance_short(
        np.array([3.0, need, 80.0]),
        np.array([left + 7.0, left, left - 7.0]),
        np.array([weight, weight, weight]),
        np.array([2.0, a, 1.0]),
        np.array([300.0, b, 500.0]),
        np.array([0.0, blind, 900.0]),
    )
    assert company[1] == chance


@given(stock=stocks(), need=st.integers(0, 3000), more=st.integers(1, 500), a=ODDS_A, b=ODDS_B, blind=BLIND)
def test_needing_more_is_never_safer(stock, need, more, a, b, blind):
    left, weight = stock
    less = chance_short_one(need, left, weight, a, b, blind)
    assert chance_short_one(need + more, left, weight, a, b, blind) >= less - 1e-12


@given(stock=stocks(), need=st.integers(0, 3000), more=st.integers(1, 500), a=ODDS_A, b=ODDS_B)
def test_having_more_is_never_worse(stock, need, more, a, b):
    left, weight = np.maximum(stock[0], 1.0), stock[1]
    less = chance_short_one(need, left, weight, a, b, 0.0)
    assert chance_short_one(need, left + more, weight, a, b, 0.0) <= less + 1e-12


@given(
    left=st.integers(1, 3000),
    share=st.floats(0.01, 1.0),
    a=ODDS_A,
    b=ODDS_B,
    blind=st.integers(1, 30_000),
)
def test_unreported_losses_count_as_far_as_the_supply_survived_them(left, share, a, b, blind):
    """Bayes on scipy.stats.nbinom: (P(short) - P(empty by now)) / P(not empty by now)."""
    need = max(round(share * left), 1)
    short = stats.nbinom.sf(left - need, a, b / (b + need + blind))
    empty, feeds = (side(left - 1, a, b / (b + blind)) for side in (stats.nbinom.sf, stats.nbinom.cdf))
    assume(feeds > 1e-4)
    chance = chance_short_one(need, np.array([float(left)]), ONE, a, b, float(blind))
    assert chance == pytest.approx((short - empty) / feeds, abs=1e-9)
    assert chance <= short + 1e-12


def test_without_unreported_losses_the_chance_is_the_weighted_sum_of_negative_binomial_tails():
    left, weight = usual("tape", 3000).left(700)
    a, b, need = 2.2, 700.0, 690.0
    tails = [1.0 if rest < need else stats.nbinom.sf(rest - need, a, b / (b + need)) for rest in left]
    expected = (weight * tails).sum() / weight.sum()
    assert chance_short_one(need, left, weight, a, b, 0.0) == pytest.approx(expected, abs=1e-12)


def test_a_supply_whose_every_guess_is_used_up_can_give_nothing():
    left, weight = np.full(12, -3.0), usual("tape", 3000).weights
    assert chance_short_one(1.0, left, weight, 1.5, 300.0, 0.0) == 1.0
    assert chance_short_one(0.0, left, weight, 1.5, 300.0, 500.0) == 0.0
    assert of_one(1.0, left, weight, 1.5, 300.0, 0.0) == 1.0
    assert of_one(0.0, left, weight, 1.5, 300.0, 500.0) == 0.0


def test_a_tenth_of_a_part_ten_times_is_one_part():
    left = np.array([3.0])
    assert 0.1 * 3 * 10 > 3.0
    assert chance_short_one(0.1 * 3 * 10, left, ONE, 1.0, 1e9, 0.0) < 1e-6
    assert chance_short_one(3.1, left, ONE, 1.0, 1e9, 0.0) == 1.0


@pytest.mark.parametrize("blind", [0.0, 1500.0])
def test_the_chance_is_what_a_simulation_of_placements_counts(blind):
    """200,000 simulated supplies, seed 11: loss odds from the belief, losses one law, 4 sigma."""
    chance = np.random.default_rng(11)
    left, weight = usual("tape", 2000).left(190)
    a, b, need, runs = 1.5, 300.0, 170.0, 200_000
    odds = chance.gamma(a, 1.0 / b, runs)
    rest = chance.choice(left, size=runs, p=weight / weight.sum()) - chance.poisson(odds * blind)
    feeds = rest > 0
    short = (rest - need < chance.poisson(odds * need))[feeds]
    expected = chance_short_one(need, left, weight, a, b, blind)
    tolerance = 4.0 * np.sqrt(expected * (1.0 - expected) / feeds.sum())
    assert 0.05 < expected < 0.95
    assert short.mean() == pytest.approx(expected, abs=tolerance)


@given(left=st.integers(1, 60), a=ODDS_A, b=ODDS_B, blind=st.integers(1, 2000).map(float))
def test_the_expected_remainder_is_the_sum_over_all_unreported_losses(left, a, b, blind):
    lost = np.arange(left)
    law = stats.nbinom.pmf(lost, a, b / (b + blind))
    stock = np.array([[float(left)]])
    arguments = (np.array([a]), np.array([b]), np.array([blind]))
    feeding = still_feeding(stock, np.ones((1, 1)), *arguments)
    assert feeding.item() == pytest.approx(law.sum(), abs=1e-11)
    mean = expected_left(stock, np.ones((1, 1)), feeding, *arguments).item()
    assert mean == pytest.approx((law * (left - lost)).sum() / law.sum(), rel=1e-6)


# --- the cheap bound ------------------------------------------------------------------------------------


@given(
    stock=stocks(),
    share=st.floats(0.0, 1.2),
    a=ODDS_A,
    b=ODDS_B,
    blind=BLIND,
    limit=st.sampled_from([0.001, 0.01, 0.05, 0.1, 0.3, 0.9]),
)
def test_the_bound_never_calls_safe_what_is_due(stock, share, a, b, blind, limit):
    left, weight = stock
    need = max(share * float(left[0]), 1.0)
    if surely_lasts(need, float(left[0]), a, b, blind, limit):
        assert round(chance_short_one(need, left, weight, a, b, blind), 6) < limit


@given(a=ODDS_A, b=ODDS_B, need=st.integers(1, 2000), limit=st.floats(1e-4, 0.5), blind=BLIND)
def test_the_bound_holds_at_the_very_edge_where_it_first_says_safe(a, b, need, limit, blind):
    low, high = need, 1_000_000
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if surely_lasts(need, middle, a, b, blind, limit) else (middle, high)
    chance = chance_short_one(need, np.array([float(high)]), ONE, a, b, blind)
    assert round(chance, 6) < limit


def test_the_bound_spares_the_exact_question_while_a_supply_is_far_from_empty():
    a, b = 2.0, 700.0
    assert surely_lasts(11 * 18, 400.0, a, b, 0.0, 0.1)
    assert surely_lasts(11, 20.0, 1.0, 550.0, 0.0, 0.1)
    assert not surely_lasts(11 * 18, 198.0, a, b, 0.0, 0.1)


def test_the_bound_keeps_clear_of_what_rounding_to_a_millionth_makes_due():
    need, left, a, b = 1.0, np.array([1.0]), 1.0, 1.0 / 0.0000999
    chance = chance_short_one(need, left, ONE, a, b, 0.0)
    assert chance < 0.0001 == round(chance, 6)
    assert not surely_lasts(need, 1.0, a, b, 0.0, 0.0001)


def test_nothing_is_surely_below_a_limit_of_zero():
    assert not surely_lasts(1.0, 1e9, 1.0, 500.0, 0.0, 0.0)
