"""What may really be in a supply, against scipy.stats, Kaplan and Meier, and plain counting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.domain.law import EXACT, NODES, WEIGHTS, certain, from_sample, normal, together, usual

KINDS = st.sampled_from(["tape", "tray", "stick", "bulk", None])


def law_of(values, empty=None, weights=None, spread=0.0):
    values = np.asarray(values, dtype=float)
    empty = np.ones(len(values), dtype=bool) if empty is None else np.asarray(empty)
    weights = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=float)
    return from_sample(*certain(values, weights, empty)[:2], spread, len(values))


def test_where_a_law_was_learned_its_deviates_are_straight_between_and_beyond_the_knots():
    """Inside against ``numpy.interp``, to the last bit."""
    law = law_of(np.random.default_rng(3).normal(-5.0, 20.0, 40), spread=10.0)
    for parts in np.linspace(law.parts[0], law.parts[-1], 101).tolist():
        assert law.deviate_of(parts) == np.interp(parts, law.parts, law.deviates)
    for outermost, knots in ((law.parts[0], (0, 1)), (law.parts[-1], (-1, -2))):
        near, far = law.parts[list(knots)]
        beyond = law.deviate_of(outermost + (near - far))
        steps = law.deviates[list(knots)]
        assert beyond == pytest.approx(2.0 * steps[0] - steps[1])


# --- before anything is known ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["tray", "stick"])
def test_trays_sticks_and_counted_remainders_hold_what_they_say(kind):
    for law in (usual(kind, 160), usual("tape", 4000, exact=True)):
        assert law.offsets.shape == law.weights.shape == (NODES,)
        assert not law.offsets.any()
        assert law.weights.tolist() == [1.0] + [0.0] * 11


@pytest.mark.parametrize(("declared", "deviation"), [(1000, 15.0), (10_000, 150.0), (600, 10.0), (50, 6.0)])
def test_a_label_is_short_by_five_parts_give_or_take(declared, deviation):
    law = usual("tape", declared)
    assert law.weights.sum() == pytest.approx(1.0)
    assert law.mean == pytest.approx(-min(5.0, deviation / 2.0), abs=0.5)
    # Twelve quantiles catch 97 % of a normal law's deviation.
    spread = np.sqrt((law.weights * (law.offsets - law.mean) ** 2).sum())
    assert spread == pytest.approx(deviation, rel=0.08)


def test_nobody_mistakes_a_handful_of_parts_by_dozens():
    law = usual("tape", 4)
    assert law.lowest >= -5
    assert law.highest <= 3


def test_a_usual_quantity_that_nobody_declared_is_doubted_even_for_a_tray():
    law = usual("tray", 60, assumed=True)
    assert law.lowest < 0 < law.highest


# --- what is left ------------------------------------------------------------------------------------------


@given(declared=st.integers(0, 20_000), book=st.integers(-2000, 20_000), kind=KINDS)
def test_what_still_feeds_holds_at_least_one_part_and_never_less_than_the_lowest_guess(declared, book, kind):
    law = usual(kind, declared)
    left, weight = law.left(book)
    assert (left[weight > 0] >= (book + law.offsets)[weight > 0]).all()
    assert (np.diff(left) >= 0).all()
    if kind not in {"tray", "stick"}:
        assert (left >= 1).all()


def test_a_slot_that_feeds_is_believed_to_hold_what_the_truncated_law_says():
    """Mean of a normal law cut off at zero: scipy.stats.truncnorm; twelve nodes come within 4 %."""
    for book in (400, 150, 20, 0, -100):
        left, weight = usual("tape", 4000).left(book)
        law = stats.truncnorm((0.5 - (book - 5)) / 60.0, np.inf, loc=book - 5, scale=60.0)
        assert (weight * left).sum() == pytest.approx(law.mean(), rel=0.04)


@pytest.mark.parametrize("book", [300, 180, 120, 40, -60])
def test_what_a_sensor_says_cuts_the_law_off_on_both_sides(book):
    """scipy.stats.truncnorm between the two bounds; twelve nodes come within 2 % of the width."""
    left, weight = usual("tape", 4000).left(book, above=100.0, below=140.0)
    assert left.min() >= 101.0
    assert left.max() <= 140.0
    law = stats.truncnorm((100.5 - book + 5) / 60.0, (140.5 - book + 5) / 60.0, loc=book - 5, scale=60.0)
    assert (weight * left).sum() == pytest.approx(law.mean(), abs=0.8)


def test_a_sensor_that_contradicts_the_books_altogether_is_believed():
    left, weight = normal(0.0, 2.0).left(500.0, above=100.0, below=140.0)
    assert left.min() >= 100.0
    assert left.max() <= 140.0
    assert (weight * left).sum() == pytest.approx(120.0, abs=1.0)
    assert EXACT.left(500.0, above=100.0, below=140.0)[0].tolist() == [140.0] * NODES


# --- learned -----------------------------------------------------------------------------------------------


def test_a_learned_law_has_the_quantiles_of_the_sample():
    """numpy's hazen quantiles: each value stands at the middle of its share."""
    sample = np.random.default_rng(3).permutation(np.arange(-60, 60, 3))
    law = law_of(sample)
    for share in (0.05, 0.25, 0.5, 0.75, 0.95):
        expected = np.quantile(sample, share, method="hazen")
        assert law.at(np.array([stats.norm.ppf(share)]))[0] == pytest.approx(expected, abs=0.6)


def test_supplies_taken_out_before_their_end_count_as_kaplan_and_meier_have_it():
    """The masses against scipy.stats.ecdf of a right-censored sample, as far as a value stands for three."""
    chance = np.random.default_rng(4)
    truth, taken = np.rint(chance.normal(-10, 12, 400)), np.rint(chance.normal(-5, 12, 400))
    seen = truth <= taken
    values = np.where(seen, truth, taken)
    sample = stats.CensoredData(uncensored=values[seen], right=values[~seen])
    reference = stats.ecdf(sample).cdf
    certainly, weights, rest = certain(values, np.ones(400), seen)
    weights = weights / (weights.sum() + rest)
    steps = np.array([step for step in np.unique(certainly) if 3 * (values >= step).sum() >= 400])
    ours = np.array([weights[certainly <= step].sum() for step in steps])
    assert len(steps) > 10
    assert np.abs(ours - reference.evaluate(steps)).max() < 1e-9
    # Without the weights the sample would look five parts shorter than it is.
    assert values[seen].mean() < truth.mean() - 2.0


def test_a_last_end_among_many_taken_out_does_not_stand_for_them_all():
    """Ninety were taken out near their label, three ran out there, and one is a mistake in the books."""
    values = np.concatenate((np.full(90, -2.0), [-9.0, -4.0, -1.0, 250.0]))
    seen = np.arange(94) >= 90
    certainly, weights, rest = certain(values, np.ones(94), seen)
    share = weights / (weights.sum() + rest)
    assert certainly.tolist() == [-9.0, -4.0, -1.0, 250.0]
    assert share[-1] == pytest.approx(3 / 94)
    assert rest / (weights.sum() + rest) > 0.9


def test_where_every_end_was_seen_nothing_is_left():
    certainly, weights, rest = certain(np.array([3.0, 1.0, 2.0]), np.ones(3), np.ones(3, bool))
    assert (certainly.tolist(), rest) == ([1.0, 2.0, 3.0], 0.0)
    assert np.allclose(weights, 1.0)


def test_weights_count_like_repetitions():
    values, weights = [-9, -4, 0, 3], [1, 3, 2, 1]
    once, often = law_of(values, weights=weights), law_of(np.repeat(values, weights))
    assert np.allclose(once.deviates, often.deviates)
    assert np.allclose(once.parts, often.parts)


def test_a_value_that_most_supplies_share_is_not_smeared():
    law = law_of([0] * 18 + [-1, -2])
    assert law.offsets.tolist().count(0.0) >= 8
    assert law.highest <= 0.0


def test_labels_that_err_independently_add_their_means_and_their_variances():
    law = normal(-5.0, 10.0).of_several(4)
    assert law.mean == pytest.approx(-20.0, abs=0.5)
    assert law.deviate_of(0.0) == pytest.approx(1.0, abs=0.03)


def test_two_supplies_together_have_the_quantiles_of_their_sum():
    """Against 400,000 drawn sums (seed 5), to the whole parts that the possibilities are."""
    chance = np.random.default_rng(5)
    first, second = normal(-5.0, 20.0), law_of(np.rint(chance.gamma(2.0, 8.0, 150)) * -1.0)
    parts, weights = together([first.left(200), second.left(90)])
    assert weights is WEIGHTS
    sums = chance.choice(first.left(200)[0], 400_000, p=WEIGHTS / WEIGHTS.sum())
    sums = sums + chance.choice(second.left(90)[0], 400_000, p=WEIGHTS / WEIGHTS.sum())
    assert (weights * parts).sum() == pytest.approx(sums.mean(), abs=0.6)
    spread = np.sqrt((weights * (parts - sums.mean()) ** 2).sum())
    assert spread == pytest.approx(sums.std(), rel=0.08)
    certain = together([first.left(200), (np.full(NODES, 30.0), EXACT.weights)])
    assert certain[0].tolist() == (first.left(200)[0] + 30.0).tolist()
