"""What a shift came to, from a few events told by hand."""

from __future__ import annotations

from simulators.events import (
    Event,
    OrderSet,
    PanelMade,
    PersonSent,
    RecipeSet,
    Refilled,
    Stopped,
    SupplyEnded,
)
from simulators.tally import Tally


class Shift:
    """Line L1 with station P2 at its end, where A takes one part a panel, and B and C feed one another."""

    def __init__(self) -> None:
        alternates = {("L1", "P2", "B"): frozenset({"C"}), ("L1", "P2", "C"): frozenset({"B"})}
        self.tally = Tally(last={"L1": "P2"}, setter="Dorn", lead=10, alternates=alternates)
        recipe = RecipeSet(
            at=0.0,
            station="P2",
            recipe="R",
            boards_per_panel=1,
            usage={"A": 1, "B": 2},
            parts={},
            alternates=(("B", "C"),),
            active=True,
        )
        self.see(OrderSet(at=0.0, number=1, recipe="R", panels=100, state="running"), recipe)

    def see(self, *events: Event) -> None:
        for event in events:
            self.tally.see("L1", event)

    def panel(self, at: float, *, station: str = "P2", **left: int) -> None:
        zero = dict.fromkeys(left, 0)
        self.see(
            PanelMade(at=at, station=station, panels=1, left=left, counted=left, unseen=zero, short=zero)
        )

    def refill(self, at: float, slot: str = "A", person: str = "Bea") -> None:
        self.see(
            Refilled(
                at=at,
                station="P2",
                slot=slot,
                person=person,
                supply="s",
                quantity=100,
                part="X",
                kind="tray",
                change="loaded",
                confirmed_at=None,
            )
        )

    def wait(self, since: float, at: float, slot: str = "A") -> None:
        self.see(Stopped(at=at, station="P2", cause="supply", slot=slot, since=since))

    def ends(self) -> list[tuple[float, float | None, float | None]]:
        return [(each.at, each.told_at, each.waited) for each in self.tally.outcome(1.0).emptyings]


def test_panels_are_those_that_leave_the_last_station():
    shift = Shift()
    shift.panel(1.0, A=50)
    shift.panel(2.0, A=50, station="P1")
    assert shift.tally.outcome(1.0).panels == 1


def test_a_supply_for_which_the_station_waited_came_to_its_end():
    shift = Shift()
    shift.panel(10.0, A=0)
    shift.refill(100.0)
    shift.wait(20.0, 100.0)
    assert shift.ends() == [(20.0, None, 80.0)]
    outcome = shift.tally.outcome(1.0)
    assert (outcome.stops, outcome.minutes, len(outcome.untold)) == (1, 80 / 60, 1)


def test_a_warning_before_the_end_is_a_warning_and_one_after_it_is_none():
    shift = Shift()
    shift.panel(10.0, A=5)
    shift.tally.hear("L1", "P2", "A", 12.0)
    shift.refill(100.0)
    shift.panel(110.0, A=5)
    shift.wait(120.0, 200.0)
    shift.tally.hear("L1", "P2", "A", 130.0)
    shift.refill(200.0)
    assert shift.ends() == [(100.0, 12.0, None), (120.0, None, 80.0)]
    assert shift.tally.outcome(1.0).lead_seconds == [88.0]


def test_what_was_exchanged_early_or_by_the_setter_did_not_come_to_its_end():
    shift = Shift()
    shift.panel(10.0, A=11)
    shift.refill(20.0)
    shift.panel(30.0, A=3)
    shift.refill(40.0, person="Dorn")
    assert shift.ends() == []


def test_what_outlasts_its_order_did_not_come_to_its_end():
    shift = Shift()
    for _ in range(95):
        shift.panel(10.0, A=8)
    shift.refill(20.0)
    assert shift.ends() == []


def test_a_slot_whose_alternate_feeds_on_did_not_come_to_its_end():
    shift = Shift()
    shift.panel(10.0, B=0, C=400)
    shift.refill(20.0, "B")
    assert shift.ends() == []
    shift.panel(30.0, B=0, C=2)
    shift.refill(40.0, "B")
    assert shift.ends() == [(40.0, None, None)]


def test_messages_are_counted_for_each_supply_and_for_each_hour():
    shift = Shift()
    shift.panel(10.0, A=5)
    shift.refill(20.0)
    shift.tally.messages = 3
    outcome = shift.tally.outcome(2.0)
    assert (outcome.messages_per_emptying, outcome.messages_per_person_hour) == (3.0, 1.5)
    assert Shift().tally.outcome(1.0).messages_per_emptying is None, "of nothing there is no share"


def test_errands_are_counted_by_how_people_learned_of_the_need():
    shift = Shift()
    for learned in ("warning", "warning", "tower"):
        shift.see(PersonSent(at=1.0, station="P2", slot="A", person="Bea", learned=learned, due=9.0))
    assert shift.tally.outcome(1.0).sent == {"warning": 2, "tower": 1}


def test_parts_are_wasted_that_come_out_with_a_rest_nobody_keeps():
    shift = Shift()
    for kind, left, kept in (("tape", 40, False), ("tape", 900, True), ("tray", 7, False)):
        shift.see(
            SupplyEnded(
                at=1.0,
                station="P2",
                slot="A",
                kind=kind,
                supply="s",
                label=1000,
                placed=1000 - left,
                lost=0,
                left=left,
                short=0,
                unseen=0,
                kept=kept,
            )
        )
    assert shift.tally.outcome(1.0).wasted == {"tape": 40, "tray": 7}


def test_an_exchange_is_late_when_less_was_left_than_the_next_panel_needs():
    shift = Shift()
    for left, at in ((1, 10.0), (0, 20.0)):
        shift.panel(at, A=left)
        shift.refill(at + 5.0)
    shift.panel(30.0, A=0)
    shift.refill(35.0, person="Dorn")
    assert shift.tally.outcome(1.0).late == 1
