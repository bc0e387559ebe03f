"""What may be configured of reviews, and what is refused with which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.domain.reviewing import E10, CauseRule, LineOrder, ReviewRules, TaktRule, Time
from service.settings import Settings, SettingsError, load


def read(folder: Path, text: str, **environ: str) -> Settings:
    file = folder / "plant.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, environ)


def test_without_a_word_a_review_has_its_defaults(tmp_path: Path) -> None:
    assert read(tmp_path, "").policy().review == ReviewRules()


def test_all_that_is_configured_of_a_review_reaches_the_rules(tmp_path: Path) -> None:
    text = """
        [review]
        failures = ["fault", "supply"]
        failure_count = "plus one"
        engineering = "TRIAL-*"
        ewma_weight = 0.3
        [[review.cause]]
        cause = "no order"
        e10 = "non-scheduled"
        time = "planned down"
        line = "L*"
        [[review.takt]]
        seconds = 18.5
        recipe = "MB-*"
        [[line]]
        line = "L3"
        stations = ["P1", "P2"]
    """
    assert read(tmp_path, text).policy().review == ReviewRules(
        causes=(CauseRule(cause="no order", e10=E10.NON_SCHEDULED, time=Time.PLANNED_DOWN, line="L*"),),
        failures=("fault", "supply"),
        failure_count="plus one",
        takts=(TaktRule(seconds=18.5, recipe="MB-*"),),
        engineering=("TRIAL-*",),
        orders=(LineOrder(line="L3", stations=("P1", "P2")),),
        ewma_weight=0.3,
    )


def test_the_order_of_stations_is_that_of_the_line(tmp_path: Path) -> None:
    review = read(tmp_path, '[[line]]\nline = "L3"\nstations = "P2, P1"\n').policy().review
    assert (review.stations_of("L3"), review.stations_of("L4")) == (("P2", "P1"), ())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            '[[review.cause]]\ncause = "lunch"\ne10 = "standby"',
            "review.cause[0].cause: 'lunch' is not allowed",
        ),
        ('[[review.cause]]\ncause = "rest"\ne10 = "idle"', "review.cause[0].e10: 'idle' is not allowed"),
        ('[[review.cause]]\ncause = "rest"', "review.cause[0]: changes nothing (set e10 or time)"),
        ('[review]\nfailure_count = "iso"', "review.failure_count: 'iso' is not allowed"),
        ("[review]\newma_weight = 0", "review.ewma_weight: 0 is not allowed (a number above 0"),
        ("[review]\nfalse_changes = true", "review.false_changes: is not a number (a chance above 0"),
        ("[review]\nlimit_sigmas = 0.5", "review.limit_sigmas: 0.5 is not allowed (a number from 1 to 10)"),
        ("[[review.takt]]\nrecipe = 'A'", "review.takt[0].seconds: is missing (seconds from"),
        ("[[line]]\nline = 'L3'\nstations = ['P1', 'P1']", "line[0]: station P1 is there twice"),
        ("[[line]]\nline = 'L3'\nstations = []", "line[0].stations: this value is not allowed (names of"),
        (
            "[[line]]\nline = 'L3'\nstations = ['A']\n[[line]]\nline = 'L3'\nstations = ['B']",
            "the order of line L3 is given twice",
        ),
    ],
)
def test_what_does_not_fit_is_named_with_its_bounds(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError) as problems:
        read(tmp_path, f"{text}\n")
    (line,) = problems.value.lines
    assert line.removeprefix(f"{tmp_path}/plant.toml: ").startswith(said)
