"""Skipped boards: what is noted of a panel, and what the coming panels may need, against made-up batches."""

from __future__ import annotations

from itertools import accumulate

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import skips
from service.domain.horizon import Horizon, parts_needed
from service.domain.inquiry import Question, Questions
from service.domain.law import EXACT
from service.domain.outlook import chance_due, chances_due, panels_to_empty
from tests.support.story import Story


def batches(chance: np.random.Generator, panels: int, *, bad: float) -> np.ndarray:
    """Skipped shares of panels with four boards: one in a hundred, or ``bad`` in batches of some 25 panels
    that begin every hundred panels or so."""
    found, spell = np.zeros(panels), False
    for panel in range(panels):
        spell = chance.random() >= 0.04 if spell else chance.random() < 0.01
        found[panel] = chance.binomial(4, bad if spell else 0.01) / 4
    return found


def noted(shares) -> bytes:
    known = b""
    for panel, share in enumerate(shares):
        known = skips.note(known, share, 1, panel)
    return known


# --- what is noted -----------------------------------------------------------------------------------------


def running() -> Story:
    story = Story()
    usage = {"F1": 8, "F2": 4, "F3": 4, "F4": 12}
    story.recipe(usage, boards_per_panel=4)
    story.first(*usage)
    story.run(10, usage)
    return story


def test_nothing_is_kept_while_nothing_is_skipped():
    story = running()
    assert story.station().skips == b""


def test_a_skipped_board_is_noted_for_the_station_and_the_panels_before_were_whole():
    story = running()
    story.run(2, {"F1": 6, "F2": 3, "F3": 3, "F4": 9})
    assert list(story.station().skips) == [0] * 10 + [64, 64]
    story.run(1, {"F1": 8, "F2": 4, "F3": 4, "F4": 12})
    assert story.station().skips[-1] == 0


def test_one_slot_that_places_too_little_is_no_skipped_board():
    story = running()
    story.run(3, {"F1": 4, "F2": 4, "F3": 4, "F4": 12})
    assert story.station().skips == b""


def test_a_count_in_the_middle_of_a_panel_is_no_skipped_board():
    story = running()
    totals, panels = story.totals["P1"], story.panels["P1"]
    for part, done in ((0.5, 0), (1.0, 1)):
        slots = {name: (int(totals[name] + total * part), 0) for name, total in
                 {"F1": 8, "F2": 4, "F3": 4, "F4": 12}.items()}  # fmt: skip
        story.later(10).count(slots, session="s1", seq=90 + done, panels=panels + done)
    assert story.station().skips == b""


# --- what is needed ----------------------------------------------------------------------------------------


@given(
    sums=st.lists(st.floats(0.0, 1.0), min_size=8, max_size=8),
    steps=st.lists(st.tuples(st.integers(1, 60), st.integers(0, 9)), max_size=3),
    panels=st.integers(0, 300),
)
def test_a_way_needs_what_the_orders_need_less_what_is_skipped(sums, steps, panels):
    """Panel by panel: the rate of the order it belongs to, times what isn't skipped there."""
    horizon = Horizon(steps=tuple((float(most), float(rate)) for most, rate in steps), usage=7.0, taken=2.0)
    shares = [
        share * (ahead - before)
        for share, before, ahead in zip(sums, (0, *skips.AHEAD[:-1]), skips.AHEAD, strict=True)
    ]
    way = skips._thinned(horizon, list(accumulate(shares)))
    rates = [rate for most, rate in steps for _ in range(most)]
    need = -2.0
    for panel in range(panels):
        place = next((at for at, ahead in enumerate(skips.AHEAD) if panel < ahead), 7)
        need += (rates[panel] if panel < len(rates) else 7.0) * (1.0 - sums[place])
    assert parts_needed(way, panels) == pytest.approx(max(0.0, need), abs=1e-6)


def test_the_ways_are_the_quantiles_of_what_was_skipped_at_moments_like_this():
    """numpy's quantiles of the sums over all windows of the past that began outside a batch."""
    shares = batches(np.random.default_rng(3), 2000, bad=0.25)
    shares[-20:] = 0.0
    known = noted(shares)
    past = np.frombuffer(known, dtype=np.uint8) / 255.0
    total = np.concatenate(([0.0], np.cumsum(past)))
    calm = [start for start in range(1951) if start == 0 or past[max(0, start - 6) : start].mean() <= 0.1]
    windows = [total[start + 50] - total[start] for start in calm]
    ways = skips.paths(Horizon(usage=1.0), known)
    skipped = [50.0 - parts_needed(way, 50) for way in ways]
    expected = np.quantile(windows, (np.arange(7) + 0.5) / 7)
    assert np.abs(skipped - expected).max() < 0.15


@pytest.mark.parametrize("size", [1, 6, 19, 25, 155, 400, 2400])
def test_the_next_panels_need_the_same_to_the_last_bit_before_the_ways_are_worked_out(size):
    known = noted(batches(np.random.default_rng(size), size, bad=0.4)) or bytes([9] * size)
    horizon = Horizon(steps=((3.0, 18.3), (40.0, 0.5)), usage=12.25, taken=3.0)
    for panels in (*range(1, 25), 50, 51, 150, 151, 400):
        whole = [parts_needed(way, panels) for way in skips.paths(horizon, known)]
        assert skips.Paths(horizon, known).parts_needed(panels) == whole


@pytest.mark.parametrize("size", [1, 2, 19, 20, 21, 300, 2400])
def test_quantiles_are_those_of_numpy_to_the_last_bit(size):
    values = np.abs(np.random.default_rng(size).normal(size=size))
    for zeros in (0.0, 0.5, 0.92, 0.93, 0.94, 1.0):
        some = np.where(np.arange(size) < zeros * size, 0.0, values)
        expected = np.quantile(some, (np.arange(7) + 0.5) / 7)
        assert skips._quantiles(some).tolist() == expected.tolist()


@pytest.mark.parametrize(("bad", "seed"), [(0.10, 11), (0.35, 12)])
def test_the_interval_holds_the_truth_as_often_as_it_says_and_better_than_without(bad, seed):
    """Made-up batches (seeded): 400 moments, a supply known to the part that lasts some 60 panels. Absolute
    error of the median and the share inside the 90 % interval."""
    chance = np.random.default_rng(seed)
    shares = batches(chance, 2000 + 400 * 25 + 300, bad=bad)
    inside, ours, without = 0, 0.0, 0.0
    for moment in range(2000, 2000 + 400 * 25, 25):
        known = noted_at(shares, moment)
        horizon = Horizon(usage=16.0)
        left = 16.0 * 60
        question = Question(
            horizon=horizon, left=np.full(12, left), weight=EXACT.weights, a=1.0, b=1e9, blind=0.0,
            paths=skips.paths(horizon, known),
        )  # fmt: skip
        used = np.cumsum(16.0 * (1.0 - shares[moment : moment + 300]))
        truth = int(np.searchsorted(used, left + 1e-9))
        low, middle, high = panels_to_empty(Questions.of([question]))[0].tolist()
        inside += low <= truth <= high
        ours += abs(middle - truth)
        without += abs(60 - truth)
    assert 0.80 <= inside / 400 <= 0.97
    assert ours < 0.9 * without


def noted_at(shares: np.ndarray, moment: int) -> bytes:
    recent = shares[max(0, moment - skips.MOST_PANELS) : moment]
    return bytes(np.rint(recent * 255).astype(np.uint8))


def test_many_slots_with_and_without_skips_are_answered_like_each_alone():
    known = noted(batches(np.random.default_rng(5), 600, bad=0.3))
    horizon = Horizon(usage=10.0)
    weights = np.full(12, 1 / 12)

    def of(left: float, *, skipping: bool) -> Question:
        ways = skips.paths(horizon, known) if skipping else ()
        parts = left + np.arange(12.0)
        return Question(horizon=horizon, left=parts, weight=weights, a=2.0, b=400.0, blind=0.0, paths=ways)

    asked = [of(90, skipping=True), of(130, skipping=False), of(400, skipping=True)]
    together = chances_due(Questions.of(asked), np.full(3, 10.0), np.full(3, np.inf))
    assert together == pytest.approx([chance_due(each, 10, None) for each in asked], abs=1e-6)
    assert chance_due(of(108, skipping=True), 10, None) < chance_due(of(108, skipping=False), 10, None)


@pytest.mark.parametrize("bad", [0.02, 0.3])
def test_with_every_board_whole_a_slot_is_never_less_likely_due(bad):
    chance = np.random.default_rng(11)
    known = noted(batches(chance, 600, bad=bad))
    for _ in range(200):
        usage, rest = float(chance.choice([1.0, 0.3, 7.0])), float(chance.integers(1, 40))
        horizon = Horizon(
            steps=((rest, usage), (20.0, 2.0 * usage)), usage=usage / 2.0, taken=usage * chance.random()
        )
        question = Question(
            horizon=horizon, left=np.rint(chance.uniform(0.0, 40.0 * usage) + np.arange(12.0)),
            weight=np.full(12, 1 / 12), a=2.0, b=400.0, blind=0.0, paths=skips.paths(horizon, known),
        )  # fmt: skip
        lead = int(chance.integers(0, 60))
        assert chance_due(question, lead, None, whole=True) >= chance_due(question, lead, None) - 2e-6
