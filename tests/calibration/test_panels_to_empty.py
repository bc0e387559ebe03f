"""The forecast against simulated reels: as sure as it says, and better than dividing the books by the usage.

The reels come from a law of our own: label errors and loss odds as the beliefs assume them before anything is
counted. So this checks the mathematics and the learning from counts, not the assumptions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from service.domain.depletion import PRIOR, Floats, learn
from service.domain.horizon import Horizon
from service.domain.inquiry import Question, Questions
from service.domain.law import usual
from service.domain.outlook import chances_due, panels_to_empty

REELS = 500
DECLARED = (600, 1500, 4000)
USAGE = (2, 7, 18)


@dataclass
class Reel:
    """One simulated life: by panel the losses so far and what they teach, and the panels it completes."""

    declared: int
    usage: int
    lost: Floats
    evidence: list[tuple[float, float]]
    panels: int

    def question(self, panel: int, *, reported: bool) -> Question:
        """The slot after ``panel`` panels, its losses told with every panel or never."""
        placed, prior = panel * self.usage, PRIOR["tape"]
        evidence = self.evidence[panel] if reported else (0.0, 0.0)
        lost = int(self.lost[panel]) if reported else 0
        left, weight = usual("tape", self.declared).left(self.declared - placed - lost)
        return Question(
            horizon=Horizon(usage=float(self.usage)),
            left=left,
            weight=weight,
            a=prior.a + evidence[0],
            b=prior.b + evidence[1],
            blind=0.0 if reported else float(placed),
        )

    def book(self, panel: int, *, reported: bool) -> float:
        return self.declared - panel * self.usage - (self.lost[panel] if reported else 0.0)


def simulate(chance: np.random.Generator) -> Reel:
    declared, usage = int(chance.choice(DECLARED)), int(chance.choice(USAGE))
    deviation = max(10.0, 0.015 * declared)
    holds = max(round(declared + chance.normal(-5.0, deviation)), 1)
    odds = chance.gamma(PRIOR["tape"].a, 1.0 / PRIOR["tape"].b)
    panels = np.arange(holds // usage + 2)
    each = chance.poisson(odds * usage, len(panels) - 1)
    evidence = [(0.0, 0.0)]
    for one in each.tolist():
        evidence.append(learn(*evidence[-1], usage, one))
    lost = np.concatenate([[0.0], np.cumsum(each)])
    completed = int((panels * usage + lost <= holds).sum()) - 1
    return Reel(declared, usage, lost, evidence, completed)


@pytest.fixture(scope="module")
def reels() -> list[Reel]:
    chance = np.random.default_rng(20260302)
    return [simulate(chance) for _ in range(REELS)]


def at_book_horizon(reels: list[Reel], horizon: int, *, reported: bool) -> tuple[Questions, Floats, Floats]:
    """(questions, panels really to empty, books / usage) when the books first say ``horizon`` panels."""
    found: list[tuple[Question, int, float]] = []
    for reel in reels:
        for panel in range(reel.panels):
            naive = reel.book(panel, reported=reported) / reel.usage
            if naive <= horizon:
                found.append((reel.question(panel, reported=reported), reel.panels - panel, naive))
                break
    asked, truth, books = zip(*found, strict=True)
    return Questions.of(asked), np.array(truth, dtype=float), np.array(books)


def below(questions: Questions, panels: Floats) -> Floats:
    """P(X < panels), through the chance that ``due`` compares."""
    return chances_due(questions, panels - 1.0, np.full(len(panels), np.inf))


def crps(cdf: Floats, truth: Floats) -> Floats:
    """Continuous ranked probability score on whole numbers: ``cdf`` (S, K) at 0..K-1, ``truth`` (S,)."""
    return np.asarray(((cdf - (np.arange(cdf.shape[1]) >= truth[:, None])) ** 2).sum(axis=1))


@pytest.mark.parametrize(
    ("law", "truth", "score"),
    [
        # Computed with the package scoringrules and by hand from the definition.
        (stats.nbinom(3, 0.2), 4, 4.1966301885),
        (stats.poisson(2.5), 3, 0.4576085205),
        (stats.binom(10, 0.5), 5, 0.3494834900),
    ],
)
def test_the_score_is_the_one_in_the_books(law, truth, score):
    cdf = law.cdf(np.arange(400))[None, :]
    assert crps(cdf, np.array([truth])).item() == pytest.approx(score, abs=1e-9)


@pytest.mark.parametrize("reported", [True, False], ids=["losses told", "losses never told"])
@pytest.mark.parametrize("horizon", [50, 10, 3])
def test_nine_of_ten_reels_empty_inside_the_ninety_percent_interval(reels, horizon, reported):
    """Randomised probability integral transform, since panels are whole; 85 to 96 % may be inside."""
    questions, truth, _ = at_book_horizon(reels, horizon, reported=reported)
    chance = np.random.default_rng(1)
    lower, upper = below(questions, truth), below(questions, truth + 1.0)
    place = lower + chance.random(len(truth)) * (upper - lower)
    assert 0.85 <= ((place > 0.05) & (place < 0.95)).mean() <= 0.96
    assert (place <= 0.05).mean() <= 0.09
    assert (place >= 0.95).mean() <= 0.09


@pytest.mark.parametrize("reported", [True, False], ids=["losses told", "losses never told"])
@pytest.mark.parametrize("horizon", [50, 10, 3])
def test_the_forecast_beats_dividing_the_books_by_the_usage(reels, horizon, reported):
    questions, truth, naive = at_book_horizon(reels, horizon, reported=reported)
    reach = int(panels_to_empty(questions).max()) + 60
    cdf = np.array([below(questions, np.full(len(truth), x + 1.0)) for x in range(reach)]).T
    assert crps(cdf, truth).mean() < 0.9 * np.abs(np.maximum(naive, 0.0) - truth).mean()


@pytest.mark.parametrize("reported", [True, False], ids=["losses told", "losses never told"])
def test_one_warning_in_ten_comes_late(reels, reported):
    """Warned at P(X <= 10) >= 0.1, a reel has fewer than ten panels left in at most a tenth of the cases."""
    late = 0
    for reel in reels:
        first = max(reel.panels - 90, 0)
        asked = Questions.of([reel.question(n, reported=reported) for n in range(first, reel.panels + 1)])
        size = reel.panels + 1 - first
        due = chances_due(asked, np.full(size, 10.0), np.full(size, np.inf)) >= 0.1
        late += not due[: size - 10].any()
    assert late / REELS <= 0.13
