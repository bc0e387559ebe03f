"""The crew without its plant: worked by hand, and against the plant itself."""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate
from typing import Any

import pytest

from simulators.answering import Answered, Crew, Ending, Notified, answer
from simulators.events import Refilled, Stopped
from simulators.plan import BreakPlan, PeoplePlan
from simulators.plant import Plant
from tests.unit.simulators import small
from tests.unit.simulators.small import AISLE, PEOPLE, TAKT

READS, SEARCHES, EXCHANGE, HEARS, NOTICES, LOOKS = 15.0, 20.0, 25.0, 6.0, 30.0, 10.0
AT_ORIGIN = {("L1", "P1"): (0.0, 0.0), ("L1", "P2"): (0.0, 0.0), ("L1", "P3"): (0.0, 0.0)}


def ending(end: float, *told: float, slot: str = "F1", station: str = "P1", **more: Any) -> Ending:
    words = tuple(Notified(at=at, level="early") for at in told)
    return Ending(line="L1", station=station, slot=slot, end=end, takt=TAKT, told=words, **more)


def ask(*endings: Ending, people: PeoplePlan = PEOPLE, bell: bool = True, seed: int = 1) -> Answered:
    return answer(people, endings, seed=seed, positions=AT_ORIGIN, bell=bell)


def test_who_is_told_reads_searches_walks_and_exchanges() -> None:
    """From the store: 15 + 20 + 20 + 25 = 80 s after the warning."""
    found = ask(ending(1000.0, 100.0))
    assert found.answers[0].taken == 100.0 + READS
    assert found.answers[0].refilled == 100.0 + READS + SEARCHES + AISLE + EXCHANGE == 180.0
    assert (found.stops, found.seconds) == (0, 0.0)


def test_what_comes_too_late_is_waited_for() -> None:
    found = ask(ending(150.0, 100.0))
    assert (found.stops, found.seconds) == (1, 30.0)


def test_without_a_bell_somebody_hears_the_buzzer_and_looks_first() -> None:
    """6 to hear, 20 there, 10 to look, 20 back, 20 to search, 20 there again, 25 by hand."""
    found = ask(ending(500.0, 100.0), bell=False)
    assert found.seconds == HEARS + AISLE + LOOKS + AISLE + SEARCHES + AISLE + EXCHANGE


def test_a_lamp_is_noticed_before_the_end() -> None:
    found = ask(ending(500.0, low=100.0))
    assert found.answers[0].refilled == 100.0 + NOTICES + 3 * AISLE + LOOKS + SEARCHES + EXCHANGE


def test_one_person_does_one_errand_after_the_other() -> None:
    """Everybody waits for the one before: W(n+1) = max(0, W(n) + S(n) - T(n)), Lindley, "The theory of queues
    with a single server" (1952), from memory. All errands but the first begin at the line."""
    between = 50.0
    endings = [ending(1000.0 + 9 * n, 100.0 + between * n, station=f"P{n}", slot=f"F{n}") for n in range(6)]
    serves = [SEARCHES + AISLE + EXCHANGE, *([AISLE + SEARCHES + AISLE + EXCHANGE] * 5)]
    waits = list(accumulate(serves, lambda waited, served: max(0.0, waited + served - between), initial=0.0))
    done = [100.0 + between * n + READS + waits[n] + serves[n] for n in range(6)]
    found = ask(*endings, people=replace(PEOPLE, names=("Ada",)))
    assert [each.refilled for each in found.answers] == pytest.approx(done)


def test_a_second_pair_of_hands_halves_the_queue() -> None:
    endings = [ending(200.0, 100.0, station=f"P{n}", slot=f"F{n}") for n in (1, 2)]
    both = ask(*endings, people=replace(PEOPLE, names=("Ada", "Bo")))
    assert [each.refilled for each in both.answers] == [180.0, 180.0]
    assert ask(*endings).seconds > both.seconds == 0.0


def test_a_break_is_waited_for() -> None:
    people = replace(PEOPLE, breaks=(BreakPlan(at=1.0, minutes=10.0),))
    found = ask(ending(1000.0, 100.0), people=people)
    assert found.answers[0].refilled == 60.0 + 600.0 + SEARCHES + AISLE + EXCHANGE


def test_only_those_who_were_told_come() -> None:
    people = replace(PEOPLE, names=("Ada", "Bo"))
    told = (Notified(at=100.0, level="early", people=("Bo",)),)
    first = replace(ending(1000.0, slot="F1"), told=told)
    second = replace(ending(1000.0, slot="F2", station="P2"), told=told)
    both = ask(first, second, people=people).answers
    assert sorted(each.refilled or 0.0 for each in both) == [
        180.0,
        180.0 + AISLE + SEARCHES + AISLE + EXCHANGE,
    ]


def test_names_that_the_crew_doesnt_know_are_the_whole_crew() -> None:
    told = (Notified(at=100.0, level="early", people=("Cid",)),)
    assert ask(replace(ending(1000.0), told=told)).answers[0].refilled == 180.0


def test_a_warning_that_nobody_acts_on_leaves_the_buzzer() -> None:
    found = ask(ending(500.0, 100.0), people=replace(PEOPLE, ignores=1.0))
    assert found.seconds == ask(ending(500.0), bell=False).seconds


def test_what_two_supplies_share_of_a_wait_counts_once() -> None:
    found = ask(ending(500.0, slot="F1"), ending(500.0, slot="F2"), bell=False)
    waits = [each.waited for each in found.answers]
    assert found.stops == 1
    assert found.seconds == max(waits) < sum(waits)


def test_the_next_supply_of_a_slot_ends_later_where_it_was_loaded_later() -> None:
    one, other = ending(500.0), ending(900.0, 700.0, since=500.0)
    found = ask(one, other, bell=False)
    assert found.answers[0].refilled is not None
    late = found.answers[0].refilled - 500.0
    assert found.answers[1].refilled == pytest.approx(900.0 + late + found.answers[1].waited)


@pytest.mark.parametrize("told", [None, 1000.0, 1150.0, 1190.0])
def test_it_is_as_in_the_plant(told: float | None) -> None:
    """The same people on a machine that really runs empty: one tape of 600 parts, 10 a panel of 20 s."""
    line = small.line("L1", small.station("P1", small.slot("F1", first=600, low_at=0)))
    plant = Plant(small.scenario(line), bell=True)
    events = [] if told is None else plant.advance(told) + plant.tell("L1", "P1", "F1", "early")
    events += plant.advance(1500.0)
    refilled = next(event.at for _, event in events if isinstance(event, Refilled) and event.person == "Ada")
    stops = [event for _, event in events if isinstance(event, Stopped) and event.cause == "supply"]
    end = stops[0].since if stops else 1200.0
    found = ask(ending(end, *([] if told is None else [told])))
    assert found.answers[0].refilled == pytest.approx(refilled)
    assert found.seconds == pytest.approx(sum(event.at - event.since for event in stops))


def test_the_same_seed_is_the_same_luck() -> None:
    scenario = small.scenario(small.line("L1", small.station("P1", small.slot("F1"))))
    scenario = replace(scenario, people=replace(PEOPLE, reads=(5.0, 90.0), ignores=0.3))
    need = {"line": "L1", "station": "P1", "slot": "F1", "end": 150.0, "takt": 20.0}
    need |= {"told": [{"at": 20.0, "level": "early"}]}
    one, other = (Crew.of(scenario, 20)([need], bell=True) for _ in range(2))
    assert one == other
    assert len({each.seconds for each in one}) > 1
