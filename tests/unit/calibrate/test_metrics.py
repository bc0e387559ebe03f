"""The scores against published values, scipy and the definitions by numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from tests.calibrate import metrics

REACH = np.arange(600)


@pytest.mark.parametrize(
    ("law", "truth", "score"),
    [
        # Computed with the package scoringrules.
        (stats.poisson(2.5), 3, 0.4576085205),
        (stats.nbinom(3, 0.2), 4, 4.1966301885),
        (stats.binom(10, 0.5), 5, 0.3494834900),
    ],
)
def test_the_crps_of_whole_numbers_is_the_published_one(law, truth, score):
    assert metrics.crps(law.cdf(REACH), truth) == pytest.approx(score, abs=1e-9)


@pytest.mark.parametrize("truth", [0, 7, 30])
def test_the_crps_is_twice_the_pinball_loss_over_all_levels(truth):
    # Gneiting and Raftery 2007; numerical integration over the level.
    law = stats.nbinom(5, 0.4).cdf(REACH)

    def loss(level: float) -> float:
        return metrics.pinball(metrics.quantile(law, level), truth, level)

    edges = np.unique(law)[:40].tolist()
    whole = sum(
        integrate.quad(loss, low, high)[0] for low, high in zip([0.0, *edges], [*edges, 1.0], strict=True)
    )
    assert metrics.crps(law, truth) == pytest.approx(2.0 * whole, abs=1e-6)


def test_the_crps_of_a_certain_forecast_is_its_error():
    law = metrics.law_of(np.array([12]))

    assert [metrics.crps(law, truth) for truth in (9, 12, 40)] == [3.0, 0.0, 28.0]


def test_the_crps_of_a_sample_is_the_published_one():
    # Ensemble {1, 2, 4}, y = 3: 2/3 in the standard form; computed with the package scoringrules.
    assert metrics.crps(metrics.law_of(np.array([1, 2, 4])), 3) == pytest.approx(2.0 / 3.0)


def test_the_crps_is_least_on_average_for_the_true_law():
    law, other = stats.poisson(12).cdf(REACH), stats.poisson(13).cdf(REACH)
    weights = stats.poisson(12).pmf(np.arange(60))

    def average(of: np.ndarray) -> float:
        return sum(float(weight) * metrics.crps(of, truth) for truth, weight in enumerate(weights))

    assert average(law) < average(other)


@pytest.mark.parametrize(
    ("forecasts", "level", "mean"),
    [
        # The examples of scikit-learn's documentation of mean_pinball_loss, truth 1, 2, 3.
        ([0, 2, 3], 0.1, 0.1 / 3.0),
        ([1, 2, 4], 0.1, 0.3),
        ([0, 2, 3], 0.9, 0.3),
        ([1, 2, 4], 0.9, 0.1 / 3.0),
    ],
)
def test_the_pinball_loss_is_the_published_one(forecasts, level, mean):
    losses = [metrics.pinball(said, truth, level) for said, truth in zip(forecasts, [1, 2, 3], strict=True)]
    assert np.mean(losses) == pytest.approx(mean)


@pytest.mark.parametrize("level", [0.05, 0.5, 0.95])
def test_a_quantile_is_the_one_of_scipy(level):
    law = stats.nbinom(4.5, 0.1)

    assert metrics.quantile(law.cdf(REACH), level) == law.ppf(level)


def test_the_randomised_pit_of_the_true_law_is_uniform():
    # Czado, Gneiting and Held 2009; Kolmogorov-Smirnov against the uniform law.
    chance = np.random.default_rng(5)
    truths = chance.negative_binomial(3, 0.5, 4000)
    law = stats.nbinom(3, 0.5).cdf(REACH)
    pits = np.array([metrics.pit(law, truth, chance.random()) for truth in truths])

    assert stats.kstest(pits, "uniform").pvalue > 0.01
    assert metrics.flat(pits) > 0.01
    assert metrics.coverage(pits) == pytest.approx(0.9, abs=0.02)
    assert metrics.histogram(pits).sum() == 4000


def test_the_pit_of_a_law_that_is_too_narrow_is_not_uniform():
    chance = np.random.default_rng(6)
    law = stats.poisson(50).cdf(REACH)
    truths = chance.negative_binomial(5, 5 / 55, 1000)
    pits = np.array([metrics.pit(law, truth, chance.random()) for truth in truths])

    assert metrics.flat(pits) < 1e-6
    assert metrics.coverage(pits) < 0.6


@pytest.mark.parametrize(("hits", "trials"), [(0, 100), (3, 100), (97, 1000), (999, 1000)])
def test_the_upper_bound_of_a_share_is_the_one_of_clopper_and_pearson(hits, trials):
    # By its definition, the share under which so few hits have a chance of 1 %; and by scipy's interval.
    bound = metrics.at_most(hits, trials)
    two_sided = stats.binomtest(hits, trials).proportion_ci(0.98, method="exact")

    assert stats.binom.cdf(hits, trials, bound) == pytest.approx(0.01, abs=1e-9)
    assert bound == pytest.approx(two_sided.high, abs=1e-9)


def test_nothing_bounds_a_share_that_was_always_hit():
    assert metrics.at_most(10, 10) == metrics.at_most(0, 0) == 1.0
