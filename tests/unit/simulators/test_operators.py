"""The crew: what they notice, in what order they go, how long they walk, and that each is in one place."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import pytest

from simulators.events import (
    Confirmed,
    Event,
    PersonSent,
    Refilled,
    Stopped,
    Supplied,
    TowerShown,
)
from simulators.plan import BreakPlan, ConfirmPlan, PeoplePlan
from simulators.plant import Plant
from simulators.scenario import Scenario, load_scenario, shipped
from tests.unit.simulators.shift import every, shift_of
from tests.unit.simulators.small import AISLE, PEOPLE, line, scenario, slot, station

LOW = 500
"""Parts with which a slot outlasts what a test looks at, and yet is worth a refill."""


def crew(**changes: object) -> PeoplePlan:
    return replace(PEOPLE, **changes)  # type: ignore[arg-type]


def after(plant: Plant, seconds: float) -> list[Event]:
    return [event for _, event in plant.advance(plant.now + seconds)]


def sent(events: list[Event]) -> list[tuple[str, str]]:
    return [(each.station, each.slot) for each in every(PersonSent, events)]


def one_station(people: PeoplePlan = PEOPLE, first: int = LOW, low_at: int = 0) -> Scenario:
    slots = (slot("F1", first=first, low_at=low_at), slot("F2"), slot("F3", first=LOW))
    return scenario(line("L1", station("P1", *slots)), people=people)


def four_stations(people: PeoplePlan = PEOPLE) -> Scenario:
    """Each with a slot that lasts a little longer than the last one's."""
    stations = (station(f"P{n}", slot(f"F{n}", first=LOW + 20 * n, low_at=0)) for n in range(1, 5))
    return scenario(line("L1", *stations), people=people)


# On the tower alone


def test_on_the_tower_alone_somebody_notices_walks_looks_walks_searches_walks_and_exchanges():
    plant = Plant(one_station(first=100, low_at=50), bell=False)
    events = after(plant, 1000)
    shown = next(each for each in every(TowerShown, events) if each.tower.yellow == "flashing")
    errand = every(PersonSent, events)[0]
    refill = next(each for each in every(Refilled, events) if each.at > 0)

    # From the store, where everybody begins, to the machine.
    assert errand.at == pytest.approx(shown.at + 30 + AISLE + 10)
    assert (errand.slot, errand.learned) == ("F1", "tower")
    assert errand.due == pytest.approx(errand.at + AISLE + 20 + AISLE)
    assert refill.at == pytest.approx(errand.due + 25)
    assert refill.person == "Ada"


def test_a_buzzer_is_acted_on_sooner_than_a_lamp():
    plant = Plant(one_station(first=100, low_at=0, people=crew(notices=(600.0, 600.0))), bell=False)
    events = after(plant, 1500)
    stop = next(each for each in every(Stopped, events) if each.cause == "supply")
    errand = every(PersonSent, events)[0]

    assert errand.learned == "buzzer"
    assert errand.at == pytest.approx(stop.since + 6 + AISLE + 10)


def test_what_else_the_machine_shows_is_brought_in_the_same_walk():
    slots = (slot("F1", first=100), slot("F2", first=110), slot("F3"))
    plant = Plant(scenario(line("L1", station("P1", *slots))), bell=False)
    events = after(plant, 1000)
    first, second = every(PersonSent, events)

    assert {first.slot, second.slot} == {"F1", "F2"}
    assert (first.at, first.person, first.due) == (second.at, second.person, second.due)
    assert first.due - first.at == pytest.approx(AISLE + 2 * 20 + AISLE)


# On warnings


def test_on_a_warning_the_way_leads_straight_to_the_store():
    plant = Plant(one_station(), bell=True)
    after(plant, 60)
    plant.tell("L1", "P1", "F1", "early")
    events = after(plant, 300)
    (errand,) = every(PersonSent, events)

    assert (errand.at, errand.learned) == (60 + 15, "warning")
    # They begin at the store.
    assert errand.due == pytest.approx(errand.at + 20 + AISLE)


def test_an_ignored_warning_sends_nobody_until_the_slot_is_empty():
    plant = Plant(one_station(people=crew(ignores=1.0)), bell=True)
    for level in ("early", "urgent"):
        plant.tell("L1", "P1", "F1", level)
        assert not sent(after(plant, 60))

    plant.tell("L1", "P1", "F1", "empty")

    assert sent(after(plant, 60)) == [("P1", "F1")]


def test_nobody_goes_for_a_slot_that_lasts_long_by_the_machines_count():
    plant = Plant(one_station(), bell=True)
    after(plant, 60)
    plant.tell("L1", "P1", "F2", "urgent")

    assert not sent(after(plant, 120))


def test_repeated_warnings_send_one_person_once():
    plant = Plant(one_station(people=crew(names=("Ada", "Ben"))), bell=True)
    for level in ("early", "early", "urgent", "empty"):
        plant.tell("L1", "P1", "F1", level)
        after(plant, 1)

    assert sent(after(plant, 60)) == [("P1", "F1")]


def test_the_station_that_waits_goes_first_then_what_is_urgent_then_what_lasts_least():
    plant = Plant(four_stations(), bell=True)
    after(plant, 1)
    # Busy with something else while the warnings come.
    plant.tell("L1", "P4", "F4", "urgent")
    events = after(plant, 16)
    for name, level in (("3", "urgent"), ("2", "early"), ("1", "early")):
        plant.tell("L1", f"P{name}", f"F{name}", level)  # type: ignore[arg-type]
    events += after(plant, 15 * 60)

    order = [each for each, _ in sent(events)]
    assert order[:4] == ["P4", "P3", "P1", "P2"]


def test_a_waiting_station_goes_before_an_urgent_warning():
    plant = Plant(four_stations(), bell=True)
    after(plant, 1)
    plant.tell("L1", "P4", "F4", "early")
    after(plant, 16)
    plant.tell("L1", "P3", "F3", "urgent")
    plant.tell("L1", "P2", "F2", "empty")

    assert [each for each, _ in sent(after(plant, 400))][:2] == ["P2", "P3"]


def test_several_slots_of_one_station_are_served_in_one_walk():
    plant = Plant(one_station(), bell=True)
    after(plant, 1)
    plant.tell("L1", "P1", "F1", "early")
    plant.tell("L1", "P1", "F3", "early")
    # The first who reads sets out at once; the second is still in the store, so look at a busy crew.
    events = after(plant, 400)

    assert sorted(sent(events)) == [("P1", "F1"), ("P1", "F3")]


def test_who_has_a_tray_and_a_tape_in_hand_exchanges_the_tape_that_the_panel_waits_for_first():
    """Else nobody ever comes to the boundary for which the tray is held ready."""
    slots = (slot("T1", "MCU", first=150, low_at=150), slot("F1", first=45, low_at=50))
    plant = Plant(scenario(line("L1", station("P1", *slots))), bell=False)
    events = after(plant, 400)

    [stop] = [each for each in every(Stopped, events) if each.cause == "supply"]
    assert stop.slot == "F1"
    assert [each.slot for each in every(Refilled, events) if each.at > 0][:2] == ["F1", "T1"]


def test_two_warnings_for_one_station_that_wait_for_a_free_person_are_one_walk():
    plant = Plant(four_stations(), bell=True)
    busy = one_station().lines[0]
    plant = Plant(scenario(replace(busy, line="L1"), replace(four_stations().lines[0], line="L2")), bell=True)
    after(plant, 1)
    plant.tell("L2", "P1", "F1", "urgent")
    after(plant, 16)
    plant.tell("L1", "P1", "F1", "early")
    plant.tell("L1", "P1", "F3", "early")
    one, other = every(PersonSent, after(plant, 300))

    assert [one.slot, other.slot] == ["F1", "F3"]
    assert (one.at, one.due) == (other.at, other.due)


def test_a_supply_that_is_not_needed_any_more_goes_back():
    """The setter can't be in the way here, so the need ends with a person's own earlier errand."""
    plant = Plant(one_station(), bell=True)
    after(plant, 1)
    plant.tell("L1", "P1", "F1", "early")
    events = after(plant, 200)
    plant.tell("L1", "P1", "F1", "urgent")
    events += after(plant, 200)

    assert len([each for each in every(Refilled, events) if each.slot == "F1" and each.at > 0]) == 1
    assert sent(events) == [("P1", "F1")]


# Breaks


def test_nobody_sets_out_in_a_break_and_a_break_waits_for_the_end_of_an_errand():
    people = crew(breaks=(BreakPlan(at=2, minutes=10),))
    idle = Plant(one_station(people), bell=True)
    after(idle, 130)
    idle.tell("L1", "P1", "F1", "urgent")
    busy = Plant(one_station(people), bell=True)
    after(busy, 90)
    busy.tell("L1", "P1", "F1", "early")
    done = after(busy, 300)
    busy.tell("L1", "P1", "F3", "urgent")

    assert every(PersonSent, after(idle, 1000))[0].at == 120 + 600
    finished = next(each.at for each in every(Refilled, done) if each.at > 0)
    assert finished > 120
    assert every(PersonSent, after(busy, 1000))[0].at == pytest.approx(finished + 600)


def test_breaks_are_taken_in_turns():
    people = crew(names=("Ada", "Ben"), breaks=(BreakPlan(at=1, minutes=5),), stagger=10)
    plant = Plant(one_station(people), bell=True)
    after(plant, 90)
    plant.tell("L1", "P1", "F1", "urgent")

    assert [each.person for each in every(PersonSent, after(plant, 60))] == ["Ben"]


# Nobody is in two places


@pytest.mark.parametrize("name", sorted(shipped()))
def test_one_operator_is_never_in_two_places(name: str):
    """An errand lasts from setting out to the last exchange; the next begins after it, and leaves time to
    walk there from where the last one ended."""
    plan = load_scenario(shipped()[name])
    at = {(of.line, each.station): each.position for of in plan.lines for each in of.stations}
    ends: dict[str, tuple[float, tuple[str, str]]] = {}
    under_way: dict[str, tuple[float, float, tuple[str, str]]] = {}
    errands = 0
    for of, event in shift_of(name):
        match event:
            case PersonSent():
                place = (of, event.station)
                begun = under_way.get(event.person)
                if begun and begun[0] == event.at:
                    assert begun[1:] == (event.due, place)
                    continue
                ended, where = ends.get(event.person, (0.0, None))
                assert event.at >= ended
                # Whoever looked stands at the machine already, so the way is there and back at least.
                assert event.due - event.at >= walk(plan.people, plan.people.store, at[place])
                if where and event.learned in {"tower", "buzzer"}:
                    assert event.at - ended >= walk(plan.people, at[where], at[place])
                under_way[event.person] = (event.at, event.due, place)
                errands += 1
            case Refilled() if event.person in plan.people.names:
                begun = under_way[event.person]
                assert begun[2] == (of, event.station)
                assert event.at >= begun[1]
                ends[event.person] = (event.at, (of, event.station))
    assert errands > 40


def walk(people: PeoplePlan, begin: tuple[float, float], end: tuple[float, float]) -> float:
    return (abs(begin[0] - end[0]) + abs(begin[1] - end[1])) / people.walk - 1e-6


# What they say of it


def refills(confirms: ConfirmPlan, *, supply_messages: bool = True) -> list[Event]:
    people = crew(confirms=confirms)
    plan = replace(one_station(people, first=100, low_at=60), supply_messages=supply_messages)
    return [each for each in after(Plant(plan, bell=False), 3600) if each.at > 0]


def test_what_is_said_at_once_is_said_at_the_moment_of_the_exchange():
    events = refills(ConfirmPlan())

    for refill, said in zip(every(Refilled, events), every(Supplied, events), strict=True):
        assert (said.at, said.moment, refill.confirmed_at) == (refill.at,) * 3
        assert (said.supply, said.quantity, said.by) == (refill.supply, refill.quantity, refill.person)


@pytest.mark.parametrize("true_moment", [0.0, 1.0])
def test_what_is_said_late_gives_the_moment_of_the_exchange_or_of_the_tap(true_moment: float):
    events = refills(ConfirmPlan(at_once=0, late=1, late_by=(200, 200), true_moment=true_moment))

    for refill, said in zip(every(Refilled, events), every(Supplied, events), strict=False):
        assert said.at == refill.confirmed_at == refill.at + 200
        assert said.moment == (refill.at if true_moment else said.at)
    assert every(Supplied, events)


def test_what_is_never_said_is_in_the_truth_alone():
    events = refills(ConfirmPlan(at_once=0))

    assert [each.confirmed_at for each in every(Refilled, events)][:1] == [None]
    assert not every(Supplied, events)


def test_where_gateways_say_no_supplies_people_tap():
    events = refills(ConfirmPlan(at_once=0.5, late=0.5, late_by=(60, 60)), supply_messages=False)

    assert not every(Supplied, events)
    taps = every(Confirmed, events)
    assert taps
    assert [each.at for each in taps] == [
        each.confirmed_at for each in every(Refilled, events) if each.confirmed_at
    ][: len(taps)]


def test_every_place_is_served_in_the_end():
    """Nothing a tower shows is forgotten: no station waits longer than a crew of two could possibly need."""
    waits: dict[str, list[float]] = defaultdict(list)
    for of, event in shift_of("three-lines-by-night"):
        if isinstance(event, Stopped) and event.cause == "supply":
            waits[of].append(event.at - event.since)

    assert max(map(max, waits.values())) < 45 * 60
