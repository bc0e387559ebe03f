"""The measures of prognostics against hand-made vectors and the published example of an implementation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from tests.calibrate import prognostics


def test_the_relative_accuracy_is_one_without_error_and_unbounded_below():
    # By hand from the definition (Saxena et al. 2010).
    assert prognostics.relative_accuracy(20.0, 17.0) == pytest.approx(0.85)
    assert prognostics.relative_accuracy(20.0, 45.0) == pytest.approx(-0.25)
    assert prognostics.relative_accuracy(0.0, 3.0) is None


@pytest.mark.parametrize(
    ("event", "said", "accuracy"),
    [
        # The example in the tests of progpy (NASA), ten forecasts of the moments of three events, each the
        # mean of its sample; relative to the moment, as that implementation has it.
        (9.0, [i + 9.5 for i in range(10)], 0.4444),
        (8.0, [i + 8.5 for i in range(10)], 0.375),
        (18.0, [2 * i + 14.5 for i in range(10)], 0.63889),
    ],
)
def test_the_accuracy_relative_to_the_moment_of_the_event_is_the_published_one(event, said, accuracy):
    truth = np.full(10, event)

    found = prognostics.cumulative_relative_accuracy(truth, np.array(said), event=event)
    assert found == pytest.approx(accuracy, abs=5e-5)


def test_the_cumulative_relative_accuracy_is_relative_to_what_is_left():
    left, said = np.array([20.0, 10.0, 0.0]), np.array([17.0, 12.0, 1.0])

    assert prognostics.cumulative_relative_accuracy(left, said) == pytest.approx((0.85 + 0.8) / 2.0)
    assert prognostics.cumulative_relative_accuracy(np.zeros(1), np.ones(1)) is None


def test_the_prognostic_horizon_begins_when_the_criterion_holds_for_good():
    left = np.array([50.0, 40.0, 30.0, 20.0])

    assert prognostics.prognostic_horizon(left, np.array([True, False, True, True])) == 30.0
    assert prognostics.prognostic_horizon(left, np.array([True, False, True, True]), first=True) == 50.0
    assert prognostics.prognostic_horizon(left, np.array([True, True, True, False])) is None
    assert prognostics.prognostic_horizon(left, np.zeros(4, dtype=bool), first=True) is None


def test_the_mass_near_the_truth_is_that_of_the_law():
    # scipy: the Poisson probabilities of 16 to 24.
    law = stats.poisson(21)

    found = prognostics.mass_within(law.cdf(np.arange(200)), 20.0)
    assert found == pytest.approx(law.pmf(np.arange(16, 25)).sum())
    assert prognostics.mass_within(law.cdf(np.arange(200)), 1000.0) == pytest.approx(0.0, abs=1e-12)


def test_alpha_lambda_wants_half_of_the_mass_and_says_nothing_at_the_end():
    assert prognostics.alpha_lambda(10.0, 0.5) is True
    assert prognostics.alpha_lambda(10.0, 0.49) is False
    assert prognostics.alpha_lambda(0.0, 1.0) is None


def test_the_convergence_is_the_distance_to_the_centre_of_the_area():
    # The centroid of the region below the steps, by numerical integration.
    times, errors = np.array([2.0, 5.0, 6.0, 10.0]), np.array([4.0, 3.0, 1.0, 0.0])

    def curve(t: float) -> float:
        return float(errors[np.searchsorted(times, t, side="right") - 1])

    edges = {"points": times.tolist()}
    area = integrate.quad(curve, 2.0, 10.0, **edges)[0]
    x = integrate.quad(lambda t: t * curve(t), 2.0, 10.0, **edges)[0] / area
    y = integrate.quad(lambda t: curve(t) ** 2 / 2.0, 2.0, 10.0, **edges)[0] / area

    assert prognostics.convergence(times, errors) == pytest.approx(np.hypot(x - 2.0, y), abs=1e-6)


def test_errors_that_fall_sooner_converge_faster():
    times = np.arange(5.0)

    soon = prognostics.convergence(times, np.array([4.0, 1.0, 0.5, 0.2, 0.0]))
    late = prognostics.convergence(times, np.array([4.0, 4.0, 4.0, 4.0, 0.0]))
    assert soon is not None
    assert late is not None
    assert soon < late
    assert prognostics.convergence(times, np.zeros(5)) is None
