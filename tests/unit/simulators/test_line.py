"""A simulated line does what lines do: parts are conserved, stations stop for want of them and are held."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import groupby, pairwise

import pytest

from simulators.events import (
    Counted,
    Event,
    OrderSet,
    PanelMade,
    PanelPulled,
    PersonSent,
    RecipeSet,
    Stopped,
    Supplied,
    SupplyEnded,
    TowerShown,
)
from simulators.plant import Plant
from tests.unit.simulators.shift import DEMO, every, part_with, said, slot_with, taken, work, work_with_bell

Shift = Callable[[int], list[Event]]
(LINE,) = DEMO.lines
SEEDS = (1, 2, 3, 4, 5)
TRAYS = {"T1", "T2", "T3"}
ROOM = LINE.stations[1].room


def stops(events: list[Event], cause: str) -> list[Stopped]:
    return [stop for stop in every(Stopped, events) if stop.cause == cause]


def test_equal_seeds_give_equal_messages_to_the_last_byte():
    assert said(work(11)) == said(work(11))


def test_another_seed_gives_another_shift():
    assert said(work(11)) != said(work(12))


def test_how_often_a_line_is_looked_at_changes_nothing():
    plant = Plant(DEMO, seed=11, bell=False)

    assert [event for second in range(0, 8 * 3600 + 1, 7) for _, event in plant.advance(second)] == work(
        11, (8 * 3600 - 8 * 3600 % 7) / 3600
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_what_a_label_says_was_placed_lost_left_over_or_never_there(seed: int):
    ended = every(SupplyEnded, work(seed))

    assert len(ended) > 20
    assert all(each.label == each.placed + each.lost + each.left + each.short for each in ended)
    assert all(min(each.placed, each.lost, each.left, each.short) >= 0 for each in ended)
    assert any(each.short for each in ended)


@pytest.mark.parametrize("shift", [work, work_with_bell])
@pytest.mark.parametrize("seed", SEEDS)
def test_labels_less_totals_are_what_the_machine_believes_at_every_panel(shift: Shift, seed: int):
    loaded: dict[tuple[str, str], int] = {}
    totals: dict[tuple[str, str], int] = {}
    for event in shift(seed):
        match event:
            case Supplied():
                key = event.station, event.slot
                before = loaded[key] if event.change == "joined" else totals.get(key, 0)
                loaded[key] = before + event.quantity
            case Counted():
                totals |= {(event.station, slot): sum(total) for slot, total in event.slots.items()}
            case PanelMade():
                for slot, counted in event.counted.items():
                    assert counted == loaded[event.station, slot] - totals[event.station, slot]
                    assert 0 <= event.left[slot] <= counted


@pytest.mark.parametrize("seed", SEEDS)
def test_a_tray_is_exchanged_only_between_two_panels(seed: int):
    made, begun, exchanged = 0, False, 0
    for event in work(seed):
        match event:
            case PanelMade(station="P2"):
                made, begun = event.panels, False
            case PanelPulled(station="P2"):
                begun = False
            case Counted(station="P2") if event.at > 0:
                # Parts counted before another panel is complete lie on the one in work.
                begun = begun or event.panels == made
            case Supplied() if event.slot in TRAYS and event.at > 0:
                exchanged += 1
                assert not begun
    assert exchanged > 10


def test_a_tray_that_runs_out_within_a_panel_has_that_panel_pulled_and_made_up_for():
    scenario = part_with("PHY-LQFP100", loss=0.2)
    events = [event for seed in SEEDS for event in work(seed, scenario=scenario)]

    assert every(PanelPulled, events)
    for seed in SEEDS:
        shift = work(seed, scenario=scenario)
        finished = [order for order in every(OrderSet, shift) if order.state == "finished"]
        last = max((order.at for order in finished), default=0.0)
        made = [panel for panel in every(PanelMade, shift) if panel.station == "P2" and panel.at <= last]
        assert len(made) == sum(order.panels for order in finished)


def test_a_station_that_waits_for_parts_holds_the_one_before_once_the_belt_is_full():
    held = 0
    for seed in SEEDS:
        events = work(seed)
        made = [panel.at for panel in every(PanelMade, events) if panel.station == "P1"]
        for stop in stops(events, "supply"):
            if stop.station != "P2":
                continue
            assert sum(stop.since < at < stop.at for at in made) <= ROOM + 1
            held += any(
                other.station == "P1" and other.since < stop.at and other.at >= stop.at
                for other in stops(events, "held")
            )
    assert held > 5


def test_a_station_starves_while_the_one_before_waits_for_parts():
    starved = 0
    for seed in SEEDS:
        events = work(seed)
        starved += sum(
            wait.station == "P2" and stop.since < wait.since < stop.at <= wait.at
            for stop in stops(events, "supply")
            if stop.station == "P1"
            for wait in stops(events, "starved")
        )
    assert starved > 5


@pytest.mark.parametrize("seed", SEEDS)
def test_a_station_makes_no_panel_while_it_is_out(seed: int):
    events = work(seed)

    for stop in stops(events, "supply"):
        assert stop.slot is not None
        made = [each for each in every(PanelMade, events) if each.station == stop.station]
        assert not any(stop.since < panel.at < stop.at for panel in made)


def test_a_station_with_alternates_stops_only_when_all_of_them_are_empty():
    """F02 and F03 hold the same part; the first recipe lets them feed the same placements."""
    scenario = slot_with("P1", "F02", first=220)
    line = replace(scenario.lines[0], recipes=LINE.recipes[:1])
    parts = tuple(replace(each, short=(0, 0)) for each in DEMO.parts)
    events = work(5, 1.0, replace(scenario, lines=(line,), parts=parts))
    counts = [each for each in every(Counted, events) if each.station == "P1"]

    assert not any(stop.slot in {"F02", "F03"} for stop in stops(events, "supply"))
    emptied = next(each for each in every(PanelMade, events) if each.station == "P1" and not each.left["F02"])
    before = [each for each in counts if each.at <= emptied.at]
    assert taken(before, "F02") == 220
    assert taken(counts, "F03") > 22


# Towers. Common practice, from memory: yellow flashing when a supply runs low; yellow flashing and the buzzer
# when it is out and the station waits; red for a fault; green while it runs.


@pytest.mark.parametrize("seed", SEEDS)
def test_a_tower_names_what_is_low_and_sounds_when_it_is_out(seed: int):
    events = work(seed)
    shown: dict[str, TowerShown] = {}
    seen = set()
    for event in events:
        match event:
            case TowerShown():
                shown[event.station] = event
                tower = event.tower
                assert tower.yellow == ("flashing" if tower.slots else "off")
                assert tower.buzzer == "off" or (tower.green, tower.red) == ("off", "off")
                seen |= {("buzzer", tower.buzzer), ("red", tower.red), ("green", tower.green)}
            case PanelMade():
                tower = shown[event.station].tower
                assert (tower.buzzer, tower.red) == ("off", "off")
    assert {("buzzer", "on"), ("red", "on"), ("green", "on"), ("green", "flashing")} <= seen


@pytest.mark.parametrize("seed", SEEDS)
def test_after_every_panel_the_tower_names_the_slots_that_fell_to_their_threshold(seed: int):
    low_at = {slot.slot: slot.low_at for station in LINE.stations for slot in station.slots}
    used: dict[str, set[str]] = {}
    shown: dict[str, TowerShown] = {}
    checked = 0
    for _, together in groupby(work(seed), key=lambda event: event.at):
        made: list[PanelMade] = []
        for event in together:
            match event:
                case RecipeSet(active=True):
                    used[event.station] = set(event.parts)
                case TowerShown():
                    shown[event.station] = event
                case PanelMade():
                    made.append(event)
        for panel in made:
            tower = shown[panel.station].tower
            low = {slot for slot in used[panel.station] if panel.counted[slot] <= low_at[slot]}
            if tower.buzzer == "off":
                assert set(tower.slots) == low
                checked += bool(low)
    assert checked > 100


@pytest.mark.parametrize("seed", SEEDS)
def test_every_stop_for_parts_is_shown_by_its_tower_at_once(seed: int):
    events = work(seed)
    towers = every(TowerShown, events)

    for stop in stops(events, "supply"):
        alarms = [each for each in towers if (each.station, each.at) == (stop.station, stop.since)]
        assert any(each.tower.buzzer == "on" and stop.slot in each.tower.slots for each in alarms)


def test_a_tower_is_shown_only_when_it_changes():
    for station in ("P1", "P2"):
        towers = [each.tower for each in every(TowerShown, work(3)) if each.station == station]
        assert all(before != after for before, after in pairwise(towers))


# Orders


@pytest.mark.parametrize("seed", SEEDS)
def test_an_order_is_finished_when_its_last_panel_left_the_line_and_the_next_follows(seed: int):
    events = work(seed)
    done, running, queued = 0, None, 0
    for event in events:
        match event:
            case PanelMade(station="P2"):
                done += 1
            case OrderSet(state="queued"):
                queued += 1
            case OrderSet(state="running"):
                assert running is None
                running, done, queued = event, 0, queued - 1
                assert queued == LINE.queued_ahead
            case OrderSet(state="finished"):
                assert running is not None
                assert (event.number, event.panels) == (running.number, done)
                running = None


# People


def test_a_bell_saves_most_of_the_stops_for_parts():
    def minutes(events: list[Event]) -> float:
        return sum(stop.at - stop.since for stop in stops(events, "supply")) / 60

    tower_alone = sum(minutes(work(seed)) for seed in SEEDS)
    with_bell = sum(minutes(work_with_bell(seed)) for seed in SEEDS)

    assert with_bell < tower_alone / 3


def test_a_warning_about_another_machine_is_nobodys():
    plant = Plant(DEMO, seed=1, bell=True)
    plant.advance(60.0)

    assert plant.tell("L9", "P1", "F01", "early") == []
    assert plant.tell("L3", "P9", "F01", "early") == []
    assert plant.tell("L3", "P1", "F99", "early") == []
    later = [event for _, event in plant.advance(200.0)]
    assert not [each for each in every(PersonSent, later) if each.slot == "F99"]
