"""The tables that are printed and kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from tests.calibrate.external import Compared
from tests.calibrate.metrics import at_most, coverage, flat, histogram
from tests.calibrate.scenario import SCENARIOS
from tests.calibrate.score import RIVALS, Score, shortage
from tests.calibrate.verdict import LEARNING, Verdict, verdicts

Scores = Mapping[tuple[str, str], Score]


def judged(scores: Scores) -> list[tuple[str, Verdict]]:
    return [
        (_title(key), verdict)
        for key, score in scores.items()
        if key[1] not in LEARNING
        for verdict in verdicts(score, SCENARIOS[key[0]].bounds)
    ]


def tables(scores: Scores, compared: Iterable[Compared]) -> Iterator[str]:
    yield from _promises(scores)
    yield from _forecasts(scores)
    yield from _warnings(scores)
    yield from _horizons(scores)
    yield from _courses(scores)
    yield from _external(compared)


def _title(key: tuple[str, str]) -> str:
    return ", ".join(part for part in key if part)


def _table(*heads: str) -> Iterator[str]:
    yield _row(heads)
    yield "| --- " * len(heads) + "|"


def _row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def _promises(scores: Scores) -> Iterator[str]:
    yield from ("## Promised and measured", "")
    yield from _table("scenario", "what", "measured", "promised", "")
    for title, each in judged(scores):
        yield _row((title, each.what, f"{each.value:.3f}", each.limit, each.word))
    yield ""


def _forecasts(scores: Scores) -> Iterator[str]:
    yield from ("## Forecasts: mean CRPS in panels over the book horizons", "")
    yield from _table(
        "scenario",
        *RIVALS,
        "/ oracle A",
        "/ naive",
        "inside 90 %",
        "A inside",
        "p flat",
        "PIT in tenths, %",
        "none",
    )
    for key, score in scores.items():
        values = [score.mean_crps(rival) for rival in RIVALS]
        pits = score.all_pits()
        parts = np.rint(100.0 * histogram(pits) / len(pits)).astype(int)
        yield _row(
            (
                _title(key),
                *(f"{value:.3f}" for value in values),
                f"{values[0] / values[1]:.2f}",
                f"{values[0] / values[3]:.2f}",
                f"{coverage(pits):.3f}",
                f"{coverage(np.array(score.oracle_pits)):.3f}",
                _flat_at(score, 20),
                " ".join(map(str, parts)),
                str(score.silent),
            )
        )
    yield ""


def _flat_at(score: Score, horizon: int) -> str:
    """At one horizon, where the forecasts are those of different supplies."""
    pits = score.pits.get(horizon)
    return f"{flat(np.array(pits)):.3f}" if pits else ""


def _warnings(scores: Scores) -> Iterator[str]:
    yield from ("## First warnings", "")
    yield from _table(
        "scenario",
        "emptyings",
        "warned",
        "short",
        "share",
        "99 % bound",
        "panels beyond the lead",
        "missed",
        "short or missed",
        "apart",
    )
    for key, score in scores.items():
        short, excess = shortage(score.given)
        warned, due = len(score.given), len(score.given) + score.missed
        yield _row(
            (
                _title(key),
                str(score.lives),
                str(warned),
                str(short),
                f"{short / warned:.3f}" if warned else "",
                f"{at_most(short, warned):.3f}",
                f"{excess:.2f}",
                str(score.missed),
                f"{(short + score.missed) / due:.3f}" if due else "",
                str(len(score.apart)),
            )
        )
    yield ""


def _horizons(scores: Scores) -> Iterator[str]:
    yield from ("## By book horizon", "")
    yield from _table(
        "scenario",
        "panels",
        "forecasts",
        "CRPS",
        "oracle A",
        "naive",
        "inside 90 %",
        "pinball .05",
        ".5",
        ".95",
    )
    for key, score in scores.items():
        for horizon, rivals in score.crps.items():
            pits = np.array(score.pits[horizon])
            means = (float(np.mean(rivals[name])) for name in ("earlybell", "oracle A", "naive"))
            yield _row(
                (
                    _title(key),
                    str(horizon),
                    str(len(pits)),
                    *(f"{each:.3f}" for each in means),
                    f"{coverage(pits):.3f}",
                    *(f"{each:.3f}" for each in np.mean(score.pinball[horizon], axis=0)),
                )
            )
    yield ""


def _courses(scores: Scores) -> Iterator[str]:
    names = list(dict.fromkeys(name for score in scores.values() for name in score.saxena))
    yield from ("## Measures of prognostics (alpha 0.2, beta 0.5)", "")
    yield from _table("scenario", *names)
    for key, score in scores.items():
        found = (score.saxena.get(name) for name in names)
        yield _row((_title(key), *("" if each is None else f"{np.mean(each):.3f}" for each in found)))
    yield ""


def _external(compared: Iterable[Compared]) -> Iterator[str]:
    yield from ("## Counts that are not ours: mean CRPS of losses", "")
    yield from _table(
        "series", "panels ahead", "forecasts", "earlybell", "Poisson", "neg. binomial", "inside 90 %"
    )
    for each in compared:
        values = (f"{value:.3f}" for value in (each.ours, each.poisson, each.binomial, each.inside))
        yield _row((each.series, str(each.ahead), str(each.forecasts), *values))
