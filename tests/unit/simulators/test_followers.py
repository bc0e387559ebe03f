"""People who go by a plan: what they fetch when, what they exchange together, and that they are people."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from simulators.events import (
    Event,
    InHand,
    PanelMade,
    PersonSent,
    PlanOpened,
    Refilled,
    StandsReady,
    Stopped,
)
from simulators.plan import BreakPlan, FollowPlan
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.unit.simulators.shift import every
from tests.unit.simulators.small import AISLE, PEOPLE, TAKT, line, scenario, slot, station

Json = dict[str, Any]
FOLLOWS = FollowPlan(
    lines={"L1": ("Ada",)},
    looks=(60.0, 60.0),
    reads=(5.0, 5.0),
    forgets=0.0,
    early=(90.0, 90.0),
    glances=(20.0, 20.0),
    ticks=1.0,
)
SLOTS = (
    slot("F1", first=450, low_at=0),
    slot("F2", "CAP", first=500, low_at=0),
    slot("T1", "MCU", first=320, low_at=0),
    slot("T2", "MCU", first=300, low_at=0),
)


def small(follows: FollowPlan = FOLLOWS, **people: object) -> Scenario:
    crew = replace(PEOPLE, follows=follows, **people)  # type: ignore[arg-type]
    parts = scenario(line("L1", station("P1"))).parts
    trays = tuple(replace(each, full=400) if each.kind == "tray" else each for each in parts)
    return scenario(line("L1", station("P1", *SLOTS)), people=crew, parts=trays)


class Shown:
    """A plan of two trays in one stop and two tapes meanwhile, as it looks at the plant's panel ``made``."""

    def __init__(self, *, stop: int = 28, tapes: dict[str, int] | None = None) -> None:
        self._stop = stop
        self._tapes = {"F2": 48, "F1": 43} if tapes is None else tapes
        self._done: set[str] = set()
        self._made = 0

    def see(self, event: Event) -> None:
        if isinstance(event, PanelMade):
            self._made = event.panels
        if isinstance(event, Refilled) and event.at > 0:
            self._done.add(event.slot)

    def plan(self, now: float) -> Json:
        trays = [self._exchange(each, self._stop, now) for each in ("T1", "T2") if each not in self._done]
        panels = max(0, self._stop - self._made)
        stop = {"panels": panels, "at": str(self._at(self._stop, now)), "exchanges": trays}
        tapes = [self._exchange(*each, now) for each in self._tapes.items() if each[0] not in self._done]
        return {"stops": [stop] if trays else [], "meanwhile": tapes}

    def _exchange(self, name: str, by: int, now: float) -> Json:
        when = str(self._at(by, now))
        part = {"F1": "RES", "F2": "CAP"}.get(name, "MCU")
        return {"station": "P1", "slot": name, "part": part, "from": when, "by": when}

    def _at(self, panel: int, now: float) -> float:
        return now + max(0, panel - self._made) * TAKT


def follow(plant: Plant, shown: Shown, seconds: float) -> list[Event]:
    """The plan is shown to whoever opens it."""
    events: list[Event] = []

    def take(happened: list[tuple[str, Event]]) -> None:
        for of, event in happened:
            events.append(event)
            shown.see(event)
            if isinstance(event, PlanOpened):
                take(plant.show_plan(of, event.person, shown.plan(plant.now), float))

    while plant.next_at <= seconds:
        take(plant.advance(plant.next_at))
    return events


def refills(events: list[Event]) -> list[Refilled]:
    return [each for each in every(Refilled, events) if each.at > 0]


def test_what_is_due_soon_is_fetched_in_one_walk_and_ticked_as_ready():
    events = follow(Plant(small(), bell=True, plans=True), Shown(), 300)
    sent = every(PersonSent, events)

    assert {each.slot for each in sent} == {"T1", "T2", "F1", "F2"}
    assert {(each.at, each.learned) for each in sent} == {(65.0, "plan")}
    assert {each.due for each in sent} == {65.0 + 4 * 20 + AISLE}
    ticked = {(each.part, each.supplies) for each in every(StandsReady, events)}
    assert ticked == {("MCU", 2), ("RES", 1), ("CAP", 1)}


def test_nobody_carries_more_than_they_can():
    events = follow(Plant(small(replace(FOLLOWS, carries=3)), bell=True, plans=True), Shown(), 700)
    walks = [each.at for each in every(PersonSent, events)]

    assert [walks.count(at) for at in sorted(set(walks))] == [3, 1]


def test_what_is_due_late_is_not_fetched_yet():
    late = Shown(stop=200, tapes={"F1": 43, "F2": 120})
    events = follow(Plant(small(), bell=True, plans=True), late, 200)

    assert [each.slot for each in every(PersonSent, events)] == ["F1"]


def test_all_that_a_stop_names_is_exchanged_in_one_halt_at_its_panel():
    events = follow(Plant(small(), bell=True, plans=True), Shown(stop=28), 1000)
    halts = [each for each in every(Stopped, events) if each.cause == "exchange"]
    panels = [each.at for each in every(PanelMade, events)]

    assert {each.slot for each in halts} == {"T1", "T2"}
    assert halts[0].since == panels[27], "at the end of the 28th"
    assert halts[1].since == halts[0].at
    assert not [each for each in every(Stopped, events) if each.cause == "supply"]


def test_what_needs_no_stop_is_done_in_the_order_in_which_it_is_due():
    events = follow(Plant(small(), bell=True, plans=True), Shown(), 1000)

    assert [each.slot for each in refills(events)] == ["T1", "T2", "F1", "F2"]
    assert not [each for each in every(Stopped, events) if each.cause == "supply"]


def test_a_warning_about_what_is_in_hand_by_the_plan_sends_nobody_to_the_store():
    plant, shown = Plant(small(), bell=True, plans=True), Shown()
    events = follow(plant, shown, 300)
    events += [event for _, event in plant.tell("L1", "P1", "T1", "early")]
    events += follow(plant, shown, 400)

    assert [each.slot for each in every(InHand, events)] == ["T1"]
    assert [each.learned for each in every(PersonSent, events) if each.slot == "T1"] == ["plan"]


def test_a_warning_about_what_the_plan_does_not_name_is_acted_on_as_ever():
    plant, shown = Plant(small(), bell=True, plans=True), Shown(tapes={})
    events = follow(plant, shown, 300)
    events += [event for _, event in plant.tell("L1", "P1", "F1", "early")]
    events += follow(plant, shown, 500)

    assert [each.learned for each in every(PersonSent, events) if each.slot == "F1"] == ["warning"]


def test_while_who_has_the_line_is_in_a_break_the_neighbour_goes_by_its_plan():
    follows = replace(FOLLOWS, beside={"L1": ("Ben",)})
    crew = small(follows, names=("Ada", "Ben"), breaks=(BreakPlan(at=0.5, minutes=60),), stagger=600)
    events = follow(Plant(crew, bell=True, plans=True), Shown(), 1000)

    assert {each.person for each in every(PersonSent, events)} == {"Ben"}
    assert {each.person for each in refills(events)} == {"Ben"}


def test_who_forgets_does_nothing_until_the_next_look():
    events = follow(Plant(small(replace(FOLLOWS, forgets=1.0)), bell=True, plans=True), Shown(), 500)

    assert len(every(PlanOpened, events)) > 5
    assert not every(PersonSent, events)


@pytest.mark.parametrize("make", [lambda: Plant(small(), bell=True), lambda: Plant(small(), bell=False)])
def test_where_no_plan_is_shown_nobody_looks_at_one(make: Callable[[], Plant]):
    assert not every(PlanOpened, follow(make(), Shown(), 1000))
