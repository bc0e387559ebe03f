"""What may be configured of plans, and what is refused with which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.domain.policy import PlanRules, cost_of
from service.settings import Settings, SettingsError, load


def read(folder: Path, text: str, **environ: str) -> Settings:
    file = folder / "plant.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, environ)


def test_without_a_word_stops_are_counted_and_the_rules_have_their_defaults(tmp_path: Path) -> None:
    assert read(tmp_path, "").policy().plan == PlanRules()
    assert PlanRules().minute_cost is None


def test_the_most_specific_part_cost_counts_and_others_cost_nothing(tmp_path: Path) -> None:
    text = (
        "[plan]\nminute_cost = 15\n"
        '[[plan.part]]\npart = "MCU-*"\neach = 3.2\n[[plan.part]]\npart = "MCU-48Q"\neach = 4\n'
    )
    plan = read(tmp_path, text).policy().plan
    assert [cost_of(plan, part) for part in ("MCU-48Q", "MCU-9", "R-10K", None)] == [4.0, 3.2, 0.0, 0.0]


def test_a_value_may_come_from_the_environment(tmp_path: Path) -> None:
    assert read(tmp_path, "", EARLYBELL_PLAN__PEOPLE="3").policy().plan.people == 3


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("people = 0", "plan.people: "),
        ("margin_panels = -1", "plan.margin_panels: "),
        ("margin_panels = 1.5", "plan.margin_panels: "),
        ("waste_share = 1.5", "plan.waste_share: "),
        ("splice_seconds = 0", "plan.splice_seconds: "),
        ("fetch_minutes = 2000", "plan.fetch_minutes: "),
        ("minute_cost = 0", "plan.minute_cost: "),
        ("minute_cost = true", "plan.minute_cost: "),
        ("change_pays = -0.1", "plan.change_pays: "),
        ('part = [{part = "A", each = 2}]', "plan: parts have a cost but a minute of the line has none"),
        ('minute_cost = 5\npart = [{part = "A"}]', "plan.part[0].each: is missing"),
        ("stops = 2", "plan.stops: "),
    ],
)
def test_what_does_not_fit_is_named_with_its_bounds(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError) as problems:
        read(tmp_path, f"[plan]\n{text}\n")
    (line,) = problems.value.lines
    assert line.removeprefix(f"{tmp_path}/plant.toml: ").startswith(said)
