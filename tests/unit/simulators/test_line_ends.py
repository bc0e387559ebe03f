"""Printer, oven, breaks, skipped boards and changeovers, on a small plant without chance."""

from __future__ import annotations

from dataclasses import replace

from simulators.conveyor import Panel
from simulators.events import (
    Event,
    OrderSet,
    PanelMade,
    RecipeSet,
    Refilled,
    Stopped,
    Supplied,
    SupplyEnded,
)
from simulators.plan import BreakPlan, OvenPlan, PrinterPlan, RecipePlan
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.unit.simulators.shift import every
from tests.unit.simulators.small import TAKT, line, scenario, slot, station

PRINTER = PrinterPlan(
    cycle=10.0, cycle_sigma=0.0, wipe_every=5, wipe=(20, 20), paste_every=40, paste=(120, 120)
)


def work(plan: Scenario, hours: float = 1.0) -> list[Event]:
    return [event for _, event in Plant(plan, bell=False).advance(hours * 3600)]


def stops(events: list[Event], name: str, cause: str) -> list[Stopped]:
    return [each for each in every(Stopped, events) if (each.station, each.cause) == (name, cause)]


def made(events: list[Event], name: str = "P1") -> list[PanelMade]:
    return [each for each in every(PanelMade, events) if each.station == name]


def test_a_printer_wipes_its_stencil_and_wants_paste_every_so_many_panels():
    events = work(scenario(line("L1", station("P1", slot("F1")), printer=PRINTER)))
    panels = len(made(events))

    assert abs(len(stops(events, "PRINT", "wipe")) - panels / 5) <= 1
    assert len(stops(events, "PRINT", "paste")) == panels // 40
    assert {round(each.at - each.since) for each in stops(events, "PRINT", "paste")} == {120}


def test_a_station_starves_while_the_printer_waits_for_paste():
    events = work(scenario(line("L1", station("P1", slot("F1"), room=1), printer=PRINTER)))

    for paste in stops(events, "PRINT", "paste"):
        assert any(paste.since < wait.since < paste.at < wait.at for wait in stops(events, "P1", "starved"))


def test_a_waiting_station_holds_everything_upstream_and_the_printer_too():
    first = station("P1", slot("F1"))
    second = station("P2", slot("F2", "CAP", first=200, low_at=0))
    events = work(scenario(line("L1", first, second, printer=PRINTER)))
    (stop,) = stops(events, "P2", "supply")

    for name in ("P1", "PRINT"):
        held = [each for each in stops(events, name, "held") if stop.since <= each.since < stop.at <= each.at]
        assert len(held) == 1
    assert not [each for each in made(events, "P2") if stop.since < each.at < stop.at]


def test_an_oven_never_holds_and_lets_panels_out_after_their_transit():
    plan = line("L1", station("P1", slot("F1")), oven=OvenPlan(transit=290.0))
    plant = Plant(scenario(plan), bell=False)
    plant.advance(TAKT + 289.0)
    before = plant.panels
    plant.advance(TAKT + 291.0)

    assert (before, plant.panels) == (0, 1)
    assert not stops([event for _, event in plant.advance(3600)], "P1", "held")


def test_a_line_takes_no_new_panel_in_a_break_unless_it_runs_through():
    breaks = (BreakPlan(at=20, minutes=15),)
    stands = work(scenario(line("L1", station("P1", slot("F1")), breaks=breaks)))
    runs = work(scenario(line("L1", station("P1", slot("F1")), breaks=breaks, runs_through=True)))

    assert not [each for each in made(stands) if 1200 + TAKT < each.at < 2100]
    assert len([each for each in made(runs) if 1200 + TAKT < each.at < 2100]) > 40
    (stop,) = stops(stands, "P1", "break")
    assert 1200 <= stop.since <= 1200 + TAKT
    assert stop.at == 2100


def test_skipped_boards_get_no_parts_but_their_panel_counts():
    plan = line("L1", station("P1", slot("F1")))
    bad = replace(plan, recipes=(replace(plan.recipes[0], bad_boards=1.0),))
    some = replace(plan, recipes=(replace(plan.recipes[0], bad_boards=0.3),))

    assert {each.left["F1"] for each in made(work(scenario(bad)))} == {4000}
    assert len(made(work(scenario(bad), 0.01))) > 1
    panels = made(work(scenario(some), 0.5))
    used = (4000 - panels[-1].left["F1"]) / len(panels)
    assert 5.5 < used < 8.5


def test_a_share_of_a_panel_is_rounded_up_to_whole_parts():
    assert [Panel(1, 4, bad).share(10) for bad in range(5)] == [10, 8, 5, 3, 0]
    assert [Panel(1, 2, bad).share(1) for bad in range(3)] == [1, 1, 0]


# Changeovers


def two_recipes() -> Scenario:
    """F1 holds RES for one recipe and CAP for the other; F2 always RES."""
    plan = line("L1", station("P1", slot("F1", first=1000), slot("F2", first=4000)))
    (a,) = plan.recipes
    b = RecipePlan(recipe="B", boards_per_panel=2, usage=a.usage, parts={"P1": {"F1": "CAP"}})
    orders = replace(plan, recipes=(a, b), order_panels=(20, 20), changeover=(100, 100), per_exchange=30.0)
    return scenario(orders)


def test_at_a_changeover_slots_whose_part_changes_are_exchanged_and_no_others():
    events = work(two_recipes(), 4.0)
    part = {"F1": "RES", "F2": "RES"}
    changes = 0
    for event in events:
        match event:
            case Refilled(person="set-up") if event.at > 0:
                assert event.slot == "F1"
                assert event.part != part["F1"]
                part["F1"] = event.part
                changes += 1
            case RecipeSet(active=True):
                assert event.parts["F1"] == ("CAP" if event.recipe == "B" else "RES") == part["F1"]
    assert changes > 5


def test_what_comes_out_at_a_changeover_goes_in_again_with_what_was_left():
    events = work(two_recipes(), 4.0)
    ended = [each for each in every(SupplyEnded, events) if each.slot == "F1"]
    names = [each.supply for each in every(Refilled, events) if each.slot == "F1" and each.part == "CAP"]

    assert len(names) > 2
    assert len(set(names)) == 1
    capacitors = [each for each in ended if each.supply == names[0]]
    assert [each.label for each in capacitors][1:] == [each.label - each.placed for each in capacitors][:-1]


def test_every_exchange_makes_a_changeover_longer():
    events = work(two_recipes(), 4.0)
    finished = {each.number: each for each in every(OrderSet, events) if each.state == "finished"}
    lengths = set()
    for order in every(OrderSet, events):
        if order.state == "running" and order.number - 1 in finished:
            before = finished[order.number - 1]
            lengths.add((before.recipe != order.recipe, round(order.at - before.at)))

    assert lengths == {(True, 130), (False, 100)}


def test_a_stack_of_trays_is_one_supply_with_the_parts_of_all_its_trays():
    plan = line("L1", station("P1", slot("T1", "MCU", first=20, low_at=10)), usage=1)
    events = work(scenario(plan))
    loaded = next(each for each in every(Supplied, events) if each.at > 0)

    assert (loaded.kind, loaded.quantity, loaded.trays) == ("tray", 160, 2)
