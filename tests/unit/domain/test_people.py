"""Persons, rosters, quiet hours and holidays: who hears of a notice at a moment, and who would."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec
import pytest

from service.domain.model import SECOND, Change, Level, Notice, from_datetime, to_datetime
from service.domain.policy import Duty, Person, Policy, Route
from service.domain.routing import hearing
from service.domain.who import spans, supposed, who

VIENNA = "Europe/Vienna"
PEOPLE = (
    Person(name="Ines", outlets=["ines-chat", "mail"], quiet_hours="22:00-05:00"),
    Person(name="Bert", outlets=["bert-chat"]),
    Person(name="Lead", outlets=["lead-mail"]),
)
OUTLETS = ["planner", "ines-chat", "bert-chat", "lead-mail", "mail"]
EARLY = Duty(roster="feeders", people=["Ines"], start="06:00", end="14:00", days=("mon", "tue", "wed"))
NIGHT = Duty(roster="feeders", people=["Bert"], start="22:00", end="06:00", days=("fri",))
FEEDERS = Route(people=["feeders"])


def local(text: str, zone: str = VIENNA) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)))


def tape(level: str = "early", **changes: object) -> Notice:
    notice = supposed(line="L3", station="P1", kind="tape", level=Level(level), boundary_only=None, at=0)
    return msgspec.structs.replace(notice, **changes)


def policy(*routes: Route, duties: tuple[Duty, ...] = (EARLY, NIGHT), closed: tuple[str, ...] = ()) -> Policy:
    return Policy(
        timezone=VIENNA, outlets=OUTLETS, people=PEOPLE, duties=duties, routes=list(routes), closed=closed
    )


def people(known: Policy, at: str, notice: Notice | None = None, **more: object) -> tuple[str, ...]:
    return hearing(known, notice or tape(), local(at), **more).people  # type: ignore[arg-type]


# 2026-03-02 is a Monday (ISO 8601 calendar; the library's own arithmetic).


@pytest.mark.parametrize(
    ("at", "who_hears"),
    [
        ("2026-03-02T06:00", ("Ines",)),
        ("2026-03-02T13:59", ("Ines",)),
        ("2026-03-06T22:00", ("Bert",)),
        ("2026-03-07T05:59", ("Bert",)),  # Saturday morning belongs to the night that began on Friday
    ],
)
def test_who_is_on_duty_hears(at, who_hears):
    assert people(policy(FEEDERS), at) == who_hears


@pytest.mark.parametrize("at", ["2026-03-02T14:00", "2026-03-07T06:00", "2026-03-05T10:00"])
def test_where_nobody_is_on_duty_the_next_in_line_hears_at_once(at):
    assert people(policy(Route(people=["feeders"], escalate_to=["Lead"])), at) == ("Lead",)


def test_where_nobody_at_all_is_on_duty_all_of_them_hear():
    assert people(policy(FEEDERS), "2026-03-05T10:00") == ("Ines", "Bert")


def test_where_an_outlet_hears_anyway_nobody_off_duty_is_called():
    assert people(policy(Route(people=["feeders"], outlets=["planner"])), "2026-03-05T10:00") == ()


@pytest.mark.parametrize(("at", "hears"), [("2026-03-02T21:59", True), ("2026-03-02T22:00", False)])
def test_in_quiet_hours_a_person_hears_nothing(at, hears):
    assert people(policy(Route(people=["Ines", "Bert"])), at) == (("Ines", "Bert") if hears else ("Bert",))


def test_quiet_hours_are_by_the_persons_own_clocks():
    porto = msgspec.structs.replace(PEOPLE[0], timezone="Europe/Lisbon")
    known = msgspec.structs.replace(policy(Route(people=["Ines", "Bert"])), people=(porto, *PEOPLE[1:]))
    assert "Ines" in people(known, "2026-03-02T22:30")  # 21:30 in Lisbon
    assert "Ines" not in people(known, "2026-03-02T23:30")


@pytest.mark.parametrize(
    ("holidays", "on_a_holiday", "on_a_workday"),
    [("any", True, True), ("off", False, True), ("only", True, False)],
)
def test_holidays_are_the_days_that_the_site_is_closed(holidays, on_a_holiday, on_a_workday):
    known = policy(Route(outlets=["planner"], holidays=holidays), closed=("2026-05-01",))
    for day, hears in (("2026-05-01T10:00", on_a_holiday), ("2026-05-04T10:00", on_a_workday)):
        assert bool(hearing(known, tape(), local(day)).outlets) is hears, day


def test_a_shift_lasts_from_wall_time_to_wall_time_when_the_clocks_change():
    """On 2026-03-29 the clocks of Vienna go from 02:00 to 03:00, on 2026-10-25 back (tz database)."""
    night = Duty(roster="feeders", people=["Bert"], start="22:00", end="06:00")
    known = policy(Route(people=["feeders"], escalate_to=["Lead"]), duties=(night,))
    for day in ("2026-03-29", "2026-10-25"):
        assert people(known, f"{day}T05:59") == ("Bert",)
        assert people(known, f"{day}T06:00") == ("Lead",)


def test_a_person_is_told_through_the_first_outlet_that_works():
    known = policy(Route(people=["Ines"]))
    at = local("2026-03-02T10:00")
    assert hearing(known, tape(), at).outlets == ("ines-chat",)
    assert hearing(known, tape(), at, failing={"ines-chat"}).outlets == ("mail",)
    assert hearing(known, tape(), at, failing={"ines-chat", "mail"}).outlets == ("ines-chat",)


def test_only_what_needs_a_stop():
    known = policy(Route(people=["Bert"], needs="stop"))
    assert people(known, "2026-03-02T10:00") == ()
    tray = tape(boundary_only=True, supply_kind="tray")
    assert people(known, "2026-03-02T10:00", tray) == ("Bert",)
    assert people(known, "2026-03-02T10:00", tape(kind="silent", supply_kind=None)) == ()


def test_the_store_is_told_once_what_to_fetch():
    known = policy(Route(people=["Bert"], needs="store"))
    heard = [people(known, "2026-03-02T10:00", change=change) for change in Change]
    assert dict(zip(Change, heard, strict=True)) == {
        Change.OPENED: ("Bert",),
        Change.CHANGED: (),
        Change.CLOSED: ("Bert",),
        Change.REMINDED: (),
    }


def test_a_station_is_a_pattern():
    known = policy(Route(people=["Bert"], station="P1"))
    assert people(known, "2026-03-02T10:00") == ("Bert",)
    assert people(known, "2026-03-02T10:00", tape(station="P2")) == ()


def test_days_of_a_route_are_those_on_which_its_hours_begin():
    known = policy(Route(people=["Bert"], days=("fri",), hours="22:00-06:00"))
    assert people(known, "2026-03-07T03:00") == ("Bert",)
    assert people(known, "2026-03-06T03:00") == ()


def test_without_any_route_everybody_hears_through_one_outlet_each():
    known = policy()
    found = hearing(known, tape(), local("2026-03-02T10:00"))
    assert found.people == ("Ines", "Bert", "Lead")
    assert found.outlets == ("planner", "ines-chat", "bert-chat", "lead-mail")


# --- asked before it is trusted ---------------------------------------------------------------------------


def test_who_hears_about_tape_on_l3_at_three_on_a_sunday():
    known = policy(Route(people=["feeders"], escalate_to=["Lead", "Ines"], escalate_minutes=4))
    answer = who(known, tape(), local("2026-03-08T03:00"))
    assert [(each.minutes, each.people) for each in answer.rounds] == [(None, (("Lead", "lead-mail"),))]
    assert answer.off == ("Ines", "Bert")
    assert answer.somebody


def test_who_names_each_round_and_what_it_waits_for():
    route = Route(people=["Bert"], escalate_to=["Lead", "Ines"], escalate_minutes=4, remind_panels=3)
    answer = who(policy(route), tape(), local("2026-03-02T10:00"))
    assert [(each.minutes, [name for name, _ in each.people]) for each in answer.rounds] == [
        (None, ["Bert"]),
        (4, ["Lead"]),
        (8, ["Ines"]),
    ]
    assert (answer.routes, answer.remind_panels, answer.remind_minutes) == ((0,), 3, None)


def test_who_says_when_nobody_would_hear():
    answer = who(policy(Route(people=["Bert"], line="L9")), tape(), local("2026-03-02T10:00"))
    assert not answer.somebody
    assert answer.routes == ()


def test_a_week_shows_each_change_and_the_gap():
    known = policy(Route(people=["feeders"], hours="06:00-22:00"), duties=(EARLY,))
    found = spans(known, tape(), local("2026-03-02T00:00"), local("2026-03-04T00:00"))
    told = [
        (to_datetime(each.since).astimezone(ZoneInfo(VIENNA)).strftime("%a %H:%M"), each.people)
        for each in found
    ]
    assert told == [
        ("Mon 00:00", ()),
        ("Mon 06:00", ("Ines",)),
        ("Mon 22:00", ()),
        ("Tue 06:00", ("Ines",)),
        ("Tue 22:00", ()),
    ]


def test_a_week_in_which_nothing_changes_is_one_span():
    found = spans(policy(Route(people=["Bert"])), tape(), 0, 7 * 86_400 * SECOND)
    assert [(each.since, each.until, each.people) for each in found] == [(0, 7 * 86_400 * SECOND, ("Bert",))]


def test_a_span_says_at_every_moment_what_the_routes_say():
    """Against asking at every minute of two days around the change of the clocks."""
    known = policy(
        Route(people=["feeders"], escalate_to=["Lead"]),
        Route(people=["Ines"], hours="21:30-05:15", days=("sat", "sun")),
        duties=(EARLY, msgspec.structs.replace(NIGHT, days=("sat",), timezone="Europe/Lisbon")),
    )
    begin, end = local("2026-03-28T00:00"), local("2026-03-30T00:00")
    found = spans(known, tape(), begin, end)
    assert found[0].since == begin
    assert found[-1].until == end
    for at in range(begin, end, 60 * SECOND):
        (span,) = [each for each in found if each.since <= at < each.until]
        assert hearing(known, tape(), at).people == span.people
