"""What may be tried instead of the settings in force, and what is said of the rest."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from service.settings import SettingsError, trials
from service.settings.trials import Choice


def choices(words: Sequence[str]) -> tuple[list[Choice], list[str]]:
    return trials.choices(words, most=2000)


def wrong(*words: str) -> list[str]:
    with pytest.raises(SettingsError) as refused:
        choices(words)
    return refused.value.lines


def test_every_choice_of_one_value_of_each_key_is_tried() -> None:
    found, refused = choices(["warn.lead_panels=5, 10", "warn.chance=0.05,0.1"])
    assert refused == []
    assert [tuple(each.values()) for each in found] == [(5, 0.05), (5, 0.1), (10, 0.05), (10, 0.1)]


def test_a_key_may_be_said_again_and_a_value_counts_once() -> None:
    found, _ = choices(["warn.lead_panels=5,10", "warn.lead_panels=10,20"])
    assert [each["warn.lead_panels"] for each in found] == [5, 10, 20]


def test_costs_of_a_plan_are_tried_too() -> None:
    assert choices(["plan.minute_cost=12"])[0] == [{"plan.minute_cost": 12.0}]


def test_urgent_alone_is_held_against_no_lead_but_that_in_force() -> None:
    assert choices(["warn.urgent_panels=12"]) == ([{"warn.urgent_panels": 12}], [])


def test_nothing_said_is_nothing_tried() -> None:
    assert choices([]) == ([], [])


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("warn.chance=2", "--set warn.chance: 2 is not allowed (a number between 0 and 1, such as 0.1)"),
        ("warn.lead_panels=soon", "--set warn.lead_panels: 'soon' is not allowed"),
        ("warn.lead_panels=true", "--set warn.lead_panels: "),
        ("warn.leadpanels=5", "--set warn.leadpanels: can't be tried (known: warn.lead_panels, "),
        ("warn.rule=5", "--set warn.rule: can't be tried"),
        ("site.name=X", "--set site.name: can't be tried"),
        ("warn.chance", "--set warn.chance: say a key and its values"),
        ("warn.chance=", "--set warn.chance=: say a key and its values"),
    ],
)
def test_what_doesnt_fit_is_said_with_its_bound(word: str, said: str) -> None:
    (line,) = wrong(word)
    assert line.startswith(said)


def test_everything_wrong_is_said_at_once() -> None:
    assert len(wrong("warn.chance=2", "plan.people=0")) == 2


def test_values_that_cant_be_together_are_left_out_and_said() -> None:
    found, refused = choices(["warn.lead_panels=2,8", "warn.urgent_panels=4"])
    assert found == [{"warn.lead_panels": 8, "warn.urgent_panels": 4}]
    (line,) = refused
    assert line.startswith("warn.lead_panels=2 warn.urgent_panels=4: warn: urgent_panels 4 is more than")


def test_more_choices_than_anybody_means_are_refused_before_any_is_looked_at() -> None:
    many = ",".join(map(str, range(1, 1001)))
    words = [f"warn.lead_panels={many}", f"warn.lead_minutes={many}", f"warn.urgent_panels={many}"]
    assert wrong(*words) == ["--set: 1000000000 choices are more than 2000"]
