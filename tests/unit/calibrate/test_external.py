"""The counts that are not ours: whether they are what their source says."""

from __future__ import annotations

import numpy as np
import pytest

from tests.calibrate.external import KICKS, WAFERS, compare


def test_the_wafers_have_the_mean_and_control_limits_of_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.3.1: mean 16, limits 16 ± 3 √16.
    mean = float(np.mean(WAFERS))

    assert len(WAFERS) == 25
    assert mean == 16.0
    assert (mean + 3.0 * mean**0.5, mean - 3.0 * mean**0.5) == (28.0, 4.0)


def test_the_kicks_add_up_to_those_of_the_book():
    # Bortkewitsch 1898: 196 in fourteen corps and twenty years; from memory.
    assert (len(KICKS), sum(KICKS)) == (20, 196)


def test_our_interval_holds_counts_that_nobody_made_up_for_it():
    found = list(compare())

    assert {each.series for each in found} == {"defects on wafers", "kicks of horses"}
    assert all(each.inside >= 0.85 for each in found)
    assert found[0].poisson == pytest.approx(found[0].binomial, rel=0.1)
