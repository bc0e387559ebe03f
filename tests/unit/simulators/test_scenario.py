"""A scenario's file is read whole or refused with everything that is wrong with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulators.events import Refilled, Stopped, SupplyEnded
from simulators.scenario import ScenarioError, load_scenario, shipped
from tests.unit.simulators.shift import shift_of

LEAST = """
name = "least"
plant = "Tarnquay Works"
hours = 1
seed = 3
parts = [{ part = "RES", full = 5000 }]
people = { names = ["Ada"] }

[[lines]]
line = "L1"
order_panels = [10, 20]
stations = [{ station = "P1", takt = 20, slots = [{ slot = "F1", part = "RES", first = 900, low_at = 50 }] }]
recipes = [{ recipe = "A", boards_per_panel = 2, usage = { P1 = { F1 = 10 } } }]
"""


def problems(tmp_path: Path, text: str) -> list[str]:
    """What is said to be wrong, without the file's name, which every line begins with."""
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScenarioError) as refused:
        load_scenario(path)
    lines = str(refused.value).splitlines()
    assert all(line.startswith(f"{path}: ") for line in lines)
    return [line.removeprefix(f"{path}: ") for line in lines]


def test_what_a_file_does_not_say_is_as_usual(tmp_path: Path):
    path = tmp_path / "least.toml"
    path.write_text(LEAST, encoding="utf-8")

    scenario = load_scenario(path)

    assert scenario.silent == frozenset()
    assert (scenario.lines[0].printer, scenario.lines[0].oven, scenario.lines[0].breaks) == (None, None, ())
    assert scenario.people.confirms.at_once == 1.0
    assert scenario.service == {}


@pytest.mark.parametrize(
    ("said", "instead", "problem"),
    [
        ("hours = 1\n", "", "hours: missing"),
        ("takt = 20, ", "", "lines[0].stations[0].takt: missing"),
        ("seed = 3", "seed = 3\nsead = 3", "sead: unknown key"),
        ("takt = 20", "takt = 20, tact = 3", "lines[0].stations[0].tact: unknown key"),
        ("takt = 20", "takt = 0", "lines[0].stations[0].takt: Input should be greater than 0"),
        (
            '["Ada"] }',
            '["Ada"], ignores = 1.5 }',
            "people.ignores: Input should be less than or equal to 1",
        ),
        (
            '["Ada"] }',
            '["Ada"], reads = [9, 3] }',
            "people.reads: Value error, 9.0 is more than 3.0",
        ),
        (
            '["Ada"] }',
            '["Ada"], confirms = { at_once = 0.8, late = 0.5 } }',
            "people.confirms: at_once and late are more than 1 together",
        ),
        ('["Ada"]', "[]", "people.names: none"),
        ('["Ada"]', '["Ada", "Ada"]', "people.names: 'Ada' twice"),
        (
            'part = "RES", first',
            'part = "CAP", first',
            "lines[0].stations[0].slots[0].part: no part 'CAP' in parts",
        ),
        ("P1 = { F1 = 10 }", "P1 = { F2 = 10 }", "lines[0].recipes[0].usage.P1.F2: no such slot"),
        ("P1 = { F1 = 10 }", "P2 = { F1 = 10 }", "lines[0].recipes[0].usage.P2: no such station"),
        (
            "F1 = 10 } }",
            'F1 = 10 } }, parts = { P1 = { F1 = "CAP" } }',
            "lines[0].recipes[0].parts.P1.F1: no part 'CAP' in parts",
        ),
        (
            "seed = 3",
            'seed = 3\ngateways = { clock_lies = { "L1/P9" = 5 } }',
            "gateways.clock_lies.L1/P9: no such line and station",
        ),
        ('"RES", full = 5000 }', '"RES", full = 5000 }, { part = "RES", full = 1 }', "parts: 'RES' twice"),
    ],
)
def test_what_is_wrong_is_named_with_file_and_key(said: str, instead: str, problem: str, tmp_path: Path):
    assert said in LEAST
    assert problems(tmp_path, LEAST.replace(said, instead)) == [problem]


def test_all_that_is_wrong_is_said_at_once(tmp_path: Path):
    text = LEAST.replace("seed = 3", "sead = 3").replace("boards_per_panel = 2", "boards_per_panel = 0")

    assert len(problems(tmp_path, text)) == 3


def test_a_file_that_is_no_toml_or_not_there_is_named(tmp_path: Path):
    assert "not TOML" in problems(tmp_path, "name = ")[0]
    with pytest.raises(ScenarioError, match=r"nowhere\.toml: No such file"):
        load_scenario(tmp_path / "nowhere.toml")


def test_one_line_of_several_can_be_chosen_and_a_single_one_renamed():
    several, single = (load_scenario(shipped()[name]) for name in ("two-lines-by-day", "demo"))

    assert [line.line for line in several.with_line("L2").lines] == ["L2"]
    assert [line.line for line in single.with_line("Halle-7").lines] == ["Halle-7"]
    with pytest.raises(ScenarioError, match="has no line L9 \\(it has L1, L2\\)"):
        several.with_line("L9")


def test_four_scenarios_come_with_the_program_under_their_own_names():
    assert shipped().keys() == {"counts-and-lamps", "demo", "three-lines-by-night", "two-lines-by-day"}
    for name, path in shipped().items():
        assert load_scenario(path).name == name


@pytest.mark.parametrize("name", sorted(shipped()))
def test_a_shipped_shift_has_supplies_that_run_out_and_stations_that_wait_for_them(name: str):
    scenario = load_scenario(shipped()[name])
    for line in scenario.lines:
        events = [event for of, event in shift_of(name) if of == line.line]
        by_hand = [e for e in events if isinstance(e, Refilled) and e.person in scenario.people.names]
        stops = [e for e in events if isinstance(e, Stopped) and e.cause == "supply"]
        assert 25 <= len(by_hand) <= 80
        assert 10 < len(stops) <= len(by_hand)


@pytest.mark.parametrize("name", sorted(shipped()))
def test_every_supply_of_a_shipped_shift_adds_up(name: str):
    for _, event in shift_of(name):
        if isinstance(event, SupplyEnded):
            assert event.label == event.placed + event.lost + event.left + event.short
            assert min(event.placed, event.lost - event.unseen, event.left, event.short, event.unseen) >= 0
