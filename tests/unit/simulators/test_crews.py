"""A crew in shifts, and warnings that reach one person: who isn't there or wasn't told does nothing."""

from __future__ import annotations

from dataclasses import replace

from simulators.events import PersonSent
from simulators.plan import BreakPlan, PeoplePlan, ShiftPlan
from simulators.plant import Plant
from tests.unit.simulators.shift import every
from tests.unit.simulators.small import PEOPLE, line, scenario, slot, station

HOUR = 3600.0
BOTH = replace(PEOPLE, names=("Ada", "Bo"))
IN_SHIFTS = replace(
    BOTH,
    shifts=(
        ShiftPlan(names=("Ada",), at=0, minutes=720, breaks=(BreakPlan(at=60, minutes=30),)),
        ShiftPlan(names=("Bo",), at=720, minutes=720),
    ),
)


def plant(people: PeoplePlan) -> Plant:
    """A slot in use that nobody needs to see to before it is told of."""
    stations = (
        station("P1", slot("F1", first=55, low_at=0)),
        station("P2", slot("F2", first=55, low_at=0)),
    )
    slow = tuple(replace(each, takt=3600.0) for each in stations)
    return Plant(scenario(line("L1", *slow, usage=1), people=people), bell=True)


def who_goes(of: Plant, at: float, person: str | None = None) -> list[tuple[str, float]]:
    """Who sets out for F1 after a warning at that second, and when, within two hours."""
    of.advance(at)
    of.tell("L1", "P1", "F1", "early", person)
    return [(each.person, each.at) for each in every(PersonSent, [e for _, e in of.advance(at + 2 * HOUR)])]


def test_only_who_was_told_goes():
    assert who_goes(plant(BOTH), 100.0, "Bo") == [("Bo", 115.0)]
    assert [who for who, _ in who_goes(plant(BOTH), 100.0)] == ["Ada"], "the nearest, where all were told"


def test_who_was_told_too_may_go_when_the_first_is_busy():
    both = plant(BOTH)
    both.tell("L1", "P2", "F2", "early", "Ada")
    both.advance(20.0)
    both.tell("L1", "P1", "F1", "early", "Ada")
    both.advance(21.0)
    both.tell("L1", "P1", "F1", "early", "Bo")
    sent = every(PersonSent, [each for _, each in both.advance(60.0)])
    assert [(each.person, each.slot, each.at) for each in sent] == [("Bo", "F1", 36.0)]


def test_a_person_acts_only_in_their_own_shift_day_by_day():
    assert who_goes(plant(IN_SHIFTS), 2 * HOUR)[0][0] == "Ada"
    assert who_goes(plant(IN_SHIFTS), 13 * HOUR)[0][0] == "Bo"
    assert who_goes(plant(IN_SHIFTS), 26 * HOUR)[0][0] == "Ada"
    assert who_goes(plant(IN_SHIFTS), 13 * HOUR, "Ada") == []


def test_what_somebody_was_told_at_home_waits_for_their_shift():
    [(who, at)] = who_goes(plant(IN_SHIFTS), 23.5 * HOUR, "Ada")
    assert (who, at) == ("Ada", 24 * HOUR)


def test_a_break_of_the_shift_comes_again_the_next_day():
    for day in (0, 24):
        [(_, at)] = who_goes(plant(IN_SHIFTS), (day + 1) * HOUR + 60)
        assert at == (day + 1.5) * HOUR


def test_who_is_on_an_errand_when_the_shift_ends_goes_home_after_it():
    end = 12 * HOUR
    crew = plant(IN_SHIFTS)
    assert [who for who, _ in who_goes(crew, end - 20, "Ada")] == ["Ada"]
    crew.tell("L1", "P2", "F2", "early", "Ada")
    assert every(PersonSent, [each for _, each in crew.advance(20 * HOUR)]) == []
