"""A whole plant: panels are conserved, partial reels come again, and a bell changes what people do, not
chance."""

from __future__ import annotations

import time
from collections import defaultdict
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from simulators.events import (
    Counted,
    Event,
    OrderSet,
    PanelMade,
    PanelPulled,
    PersonSent,
    Refilled,
    Stopped,
    SupplyEnded,
)
from simulators.plant import Plant
from simulators.scenario import Scenario, load_scenario, shipped
from tests.unit.simulators.shift import HOUR, ring, shift_of

DAY = "two-lines-by-day"
Said = list[tuple[str, Event]]


@cache
def day_without_alternates() -> tuple[Said, Said]:
    """The day's shift without and with a bell. Which of two alternates feeds depends on when they were
    refilled, so they are left out."""
    scenario = plain(load_scenario(shipped()[DAY]))
    return Plant(scenario, bell=False).advance(8 * HOUR), ring(scenario, None, 8.0)


def plain(scenario: Scenario) -> Scenario:
    lines = (
        replace(line, recipes=tuple(replace(each, alternates={}) for each in line.recipes))
        for line in scenario.lines
    )
    return replace(scenario, lines=tuple(lines))


def common(key: Any) -> list[tuple[object, list[Any], list[Any]]]:
    """For each place what both shifts have of it, cut to the shorter. ``key`` gives place and value."""
    found: list[dict[object, list[Any]]] = []
    for said in day_without_alternates():
        of: dict[object, list[Any]] = defaultdict(list)
        for line, event in said:
            if (entry := key(line, event)) is not None:
                of[entry[0]].append(entry[1])
        found.append(of)
    without, having = found
    assert without.keys() == having.keys()
    pairs = ((place, without[place], having[place]) for place in without)
    return [(place, a[: len(b)], b[: len(a)]) for place, a, b in pairs]


# The same chance with a bell and without


def test_orders_are_the_same_with_a_bell_and_without():
    def order(line: str, event: Event) -> object:
        if isinstance(event, OrderSet) and event.state == "queued":
            return line, (event.recipe, event.panels)
        return None

    for _, without, having in common(order):
        assert len(without) >= 4
        assert without == having


def test_small_stops_wipes_and_paste_are_the_same_with_a_bell_and_without():
    def stop(line: str, event: Event) -> object:
        if isinstance(event, Stopped) and event.cause in {"fault", "wipe", "paste"}:
            return (line, event.station), (event.cause, round(event.at - event.since, 6))
        return None

    found = common(stop)
    assert len(found) == 6
    for _, without, having in found:
        assert without
        assert without == having


def test_after_equally_many_panels_a_slot_placed_and_lost_the_same_with_a_bell_and_without():
    def totals(line: str, event: Event) -> object:
        if isinstance(event, Counted):
            counted.update({(line, event.station, slot): of for slot, of in event.slots.items()})
        if not isinstance(event, PanelMade):
            return None
        of = {
            slot: total for (at, name, slot), total in counted.items() if (at, name) == (line, event.station)
        }
        return (line, event.station), (event.panels, of)

    assert not any(isinstance(event, PanelPulled) for said in day_without_alternates() for _, event in said)
    counted: dict[tuple[str, str, str], tuple[int, int]] = {}
    for _, without, having in common(totals):
        assert len(without) > 1000
        assert without == having


def test_the_nth_new_supply_of_a_slot_is_as_short_with_a_bell_and_without():
    def shorts(said: Said) -> dict[tuple[str, str, str], list[int]]:
        """Of each slot: how short its new supplies were, by the first panel made from them."""
        found: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        short: dict[tuple[str, str, str], int] = defaultdict(int)
        fresh: dict[tuple[str, str, str], Refilled] = {}
        seen: set[str] = set()
        for line, event in said:
            if isinstance(event, Refilled):
                if event.supply not in seen:
                    fresh[line, event.station, event.slot] = event
                seen.add(event.supply)
            elif isinstance(event, PanelMade):
                for slot, now in event.short.items():
                    place = line, event.station, slot
                    if refill := fresh.pop(place, None):
                        found[place].append(now - short[place] if refill.change == "joined" else now)
                    short[place] = now
        return found

    without, having = map(shorts, day_without_alternates())
    compared = 0
    for place, of in without.items():
        both = min(len(of), len(having[place]))
        assert of[:both] == having[place][:both]
        compared += both
    assert compared > 80


def test_a_bell_saves_most_of_the_minutes_in_which_stations_wait_for_supplies():
    def minutes(said: Said) -> float:
        stops = (event for _, event in said if isinstance(event, Stopped) and event.cause == "supply")
        return sum(stop.at - stop.since for stop in stops) / 60

    without, having = map(minutes, day_without_alternates())
    assert having < without / 3


def test_people_without_a_bell_hear_no_warning():
    scenario = load_scenario(shipped()[DAY])
    plant = Plant(scenario, bell=False)
    plant.advance(HOUR)

    assert plant.tell("L1", "P1", "F03", "empty") == []
    later = [event for _, event in plant.advance(2 * HOUR)]
    assert all(event.learned in {"tower", "buzzer"} for event in later if isinstance(event, PersonSent))


# Panels and supplies


@pytest.mark.parametrize("name", sorted(shipped()))
def test_panels_neither_vanish_nor_appear_on_the_way_through_a_line(name: str):
    scenario = load_scenario(shipped()[name])
    for line in scenario.lines:
        first, second = line.stations
        between = 0
        for of, event in shift_of(name):
            if of != line.line:
                continue
            if isinstance(event, PanelMade):
                between += 1 if event.station == first.station else -1
            if isinstance(event, PanelPulled) and event.station == second.station:
                between -= 1
            # One may stand complete in the first, one be in work in the second.
            assert 0 <= between <= second.room + 2


def test_a_panel_leaves_the_line_when_it_has_passed_the_oven():
    scenario = load_scenario(shipped()[DAY])
    plant = Plant(scenario, bell=False)
    made = [
        each for _, each in plant.advance(4 * HOUR) if isinstance(each, PanelMade) and each.station == "P2"
    ]

    transits = {line.oven.transit for line in scenario.lines if line.oven}
    assert len(transits) == 1
    assert plant.panels == sum(each.at <= 4 * HOUR - min(transits) for each in made)
    assert plant.panels < len(made)


@pytest.mark.parametrize("name", ["three-lines-by-night", DAY])
def test_a_begun_reel_comes_again_with_the_label_the_machine_believed_and_what_was_left(
    name: str,
):
    ended: dict[str, SupplyEnded] = {}
    waiting: dict[str, SupplyEnded] = {}
    again = 0
    for _, event in shift_of(name):
        if isinstance(event, Refilled) and event.supply in ended:
            before = ended.pop(event.supply)
            assert event.quantity == believed(before)
            waiting[event.supply] = before
            again += 1
        if isinstance(event, SupplyEnded):
            before = waiting.pop(event.supply, event)
            if event.label == believed(before):  # else a tape was spliced on meanwhile
                assert event.label - event.short == before.left
            ended[event.supply] = event
    assert again > 4


def believed(ended: SupplyEnded) -> int:
    return ended.label - ended.placed - ended.lost + ended.unseen


def test_no_supply_is_in_two_places():
    loaded: dict[str, tuple[str, str, str]] = {}
    for line, event in shift_of("three-lines-by-night"):
        if isinstance(event, Refilled):
            assert event.supply not in loaded
            loaded[event.supply] = (line, event.station, event.slot)
        if isinstance(event, SupplyEnded):
            loaded.pop(event.supply, None)


@pytest.mark.parametrize("seed", [7101, 7107, 7112])
def test_no_line_stands_for_ever_because_a_tray_ran_out_while_the_next_was_at_hand(seed: int):
    """Seed 7101 did: who came with the tray waited for a panel boundary that could not come any more."""
    plant = Plant(load_scenario(shipped()["two-lines-by-day"]), seed=seed, bell=False)
    last: dict[tuple[str, str], float] = {}
    for line, event in plant.advance(8 * 3600):
        if isinstance(event, PanelMade):
            last[line, event.station] = event.at
    assert min(last.values()) > 7.7 * 3600, last


def test_equal_seeds_give_equal_shifts_and_other_seeds_others():
    scenario = load_scenario(shipped()["three-lines-by-night"])

    def shift(seed: int | None) -> Said:
        return Plant(scenario, seed=seed, bell=False).advance(HOUR)

    assert shift(None) == shift(scenario.seed)
    assert shift(1) != shift(2)


def test_how_often_a_plant_is_looked_at_changes_nothing():
    plant = Plant(load_scenario(shipped()[DAY]), bell=False)
    pieces = [said for second in range(0, 8 * 3600 + 1, 45) for said in plant.advance(second)]

    assert pieces == shift_of(DAY)


def test_what_happens_is_told_in_order_of_time():
    times = [event.at for _, event in shift_of("three-lines-by-night")]

    assert times == sorted(times)


def test_eight_hours_of_three_lines_take_a_few_seconds_of_one_core():
    scenario = load_scenario(shipped()["three-lines-by-night"])
    begun = time.process_time()
    Plant(scenario, bell=False).advance(8 * HOUR)

    assert time.process_time() - begun < 10
