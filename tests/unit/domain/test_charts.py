"""Control charts against the examples of the NIST/SEMATECH e-Handbook of Statistical Methods.

The handbook's figures are from memory; each was recomputed by its formula when they were written down.
"""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.charts import chart, ewma_chart, p_chart, p_ewma_chart

_DATA = "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1"
_EWMA = (
    "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 "
    "50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"
)
_WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]


def numbers(text: str) -> list[float]:
    return [float(each) for each in text.split()]


def test_the_handbooks_ewma_chart() -> None:
    # 6.3.2.4: weight 0.3, EWMA_0 50, s 2.0539; limits 52.5884 and 47.4116, where ours end.
    found = ewma_chart(numbers(_DATA), 50.0, 2.0539, weight=0.3)
    assert found.values == pytest.approx(numbers(_EWMA), abs=0.0051)
    long = ewma_chart([50.0] * 200, 50.0, 2.0539, weight=0.3)
    assert long.upper[-1] == pytest.approx(52.5884, abs=5e-5)
    assert long.lower[-1] == pytest.approx(47.4116, abs=5e-5)
    assert not found.beyond.any()


def test_the_limits_of_an_ewma_grow_to_where_the_handbook_has_them() -> None:
    exact = ewma_chart([0.0] * 200, 0.0, 2.0539, weight=0.3)
    # The first value has the deviation weight · s; 6.3.2.4: s² · w/(2 - w) · (1 - (1 - w)^2t).
    assert exact.upper[0] == pytest.approx(3 * 0.3 * 2.0539)
    t = np.arange(1, 201)
    assert exact.upper == pytest.approx(3 * 2.0539 * np.sqrt(0.3 / 1.7 * (1 - 0.7 ** (2 * t))))


def test_the_handbooks_wafers_touch_a_limit_once_and_are_beyond_it_once() -> None:
    # 6.3.3.1: counts of defects on 25 wafers, mean 16, limits 16 ± 3·√16 = 4 and 28; 28 isn't beyond, 31 is.
    assert np.mean(_WAFERS) == 16
    found = chart(_WAFERS, 16.0, 4.0)
    assert (found.lower[0], found.upper[0]) == (4.0, 28.0)
    assert [_WAFERS[number] for number in np.flatnonzero(found.beyond)] == [31]


def test_the_limits_of_a_p_chart_are_those_of_a_published_np_chart() -> None:
    # A help page of R's qcc: 50 lots of 200, 357 defectives, centre 7.14, upper limit 15.01184.
    found = p_chart([7] * 43 + [8] * 7, [200] * 50)
    assert found is not None
    assert found.center == pytest.approx(0.0357)
    assert 200 * found.upper[0] == pytest.approx(15.01184, abs=5e-6)
    assert 200 * found.center == pytest.approx(7.14)


def test_each_group_of_a_p_chart_has_the_limits_of_its_own_size_and_none_below_zero() -> None:
    found = p_chart([0, 5, 40], [50, 200, 1000])
    assert found is not None
    p = 45 / 1250
    assert found.lower[0] == found.lower[1] == 0.0
    assert found.lower[2] == pytest.approx(p - 3 * (p * (1 - p) / 1000) ** 0.5)
    assert found.upper == pytest.approx([p + 3 * (p * (1 - p) / n) ** 0.5 for n in (50, 200, 1000)])


def test_without_picks_there_is_no_chart() -> None:
    assert p_chart([], []) is None
    assert p_chart([0, 0], [10, 0]) is None
    assert p_ewma_chart([], [], weight=0.2) is None


def test_the_ewma_of_shares_has_the_variance_of_its_groups() -> None:
    # By simulation with a fixed seed: z after three groups of unlike size.
    sizes, p = np.array([100, 900, 300]), 0.02
    lost = np.random.default_rng(7).binomial(sizes, p, size=(40_000, 3))
    z = np.full(len(lost), p)
    for number in range(3):
        z = 0.3 * lost[:, number] / sizes[number] + 0.7 * z
    found = p_ewma_chart(lost[0], sizes, center=p, weight=0.3)
    assert found is not None
    assert found.upper[-1] - p == pytest.approx(3 * z.std(), rel=0.03)


def test_a_lasting_rise_is_beyond_the_ewmas_limits_before_any_group_is_beyond_the_p_charts() -> None:
    lost, picks = [5] * 12 + [9] * 12, [1000] * 24
    plain, smooth = p_chart(lost, picks, center=0.005), p_ewma_chart(lost, picks, center=0.005, weight=0.2)
    assert plain is not None
    assert smooth is not None
    assert not plain.beyond.any()
    assert smooth.beyond[12:].any()
    assert not smooth.beyond[:12].any()
