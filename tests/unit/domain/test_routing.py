"""Who hears of a notice."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import Notice, from_datetime
from service.domain.policy import Policy, Route
from service.domain.routing import route, within_hours
from tests.support.story import START, Story

OUTLETS = ["mail", "chat", "pager"]


def notice(level: str = "early") -> Notice:
    story = Story()
    story.recipe({"T2": 1})
    story.load("T2", 2 if level == "urgent" else 8, kind="tray")
    if level == "empty":
        story.out("T2")
    return story.notice("T2")


def hearing(*routes: Route, level: str = "early", at: int = START, timezone: str = "UTC") -> list[str]:
    policy = Policy(outlets=OUTLETS, routes=list(routes), timezone=timezone)
    return route(policy, notice(level), at)


def local(text: str, zone: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)))


def test_without_any_route_every_outlet_hears_all():
    assert hearing() == OUTLETS


def test_with_routes_only_those_that_fit_are_heard_each_outlet_once_in_their_order():
    routes = [
        Route(outlets=["pager", "mail"]),
        Route(outlets=["mail"], line="L3"),
        Route(outlets=["chat"], line="L4"),
    ]
    assert hearing(*routes) == ["mail", "pager"]
    assert hearing(Route(outlets=["chat"], line="L4")) == []


def test_a_line_is_a_pattern():
    assert hearing(Route(outlets=["mail"], line="L?")) == ["mail"]


def test_a_kind_is_that_of_the_notice_or_of_the_supply_it_is_about():
    assert hearing(Route(outlets=["mail"], kind="supply")) == ["mail"]
    assert hearing(Route(outlets=["mail"], kind="tray")) == ["mail"]
    assert hearing(Route(outlets=["mail"], kind="tape")) == []
    assert hearing(Route(outlets=["mail"], kind="silent")) == []


@pytest.mark.parametrize(
    ("severity", "heard"),
    [("early", ["early", "urgent", "empty"]), ("urgent", ["urgent", "empty"]), ("empty", ["empty"])],
)
def test_a_severity_means_this_and_worse(severity, heard):
    levels = ["early", "urgent", "empty"]
    found = [each for each in levels if hearing(Route(outlets=["mail"], severity=severity), level=each)]
    assert found == heard


def test_an_outlet_that_is_not_configured_hears_nothing():
    assert hearing(Route(outlets=["gone"])) == []


@pytest.mark.parametrize(
    ("hours", "times"),
    [
        ("06:00-14:00", {"05:59": False, "06:00": True, "13:59": True, "14:00": False}),
        ("22:00-06:00", {"21:59": False, "22:00": True, "00:00": True, "05:59": True, "06:00": False}),
        ("06:00-00:00", {"05:59": False, "06:00": True, "23:59": True, "00:00": False}),
    ],
)
def test_hours_begin_inclusive_end_exclusive_and_may_pass_midnight(hours, times):
    for time, inside in times.items():
        assert within_hours(hours, local(f"2026-03-02T{time}", "UTC"), "UTC") is inside, time


@pytest.mark.parametrize(
    ("moment", "inside"),
    [
        ("2026-01-15T21:00", True),
        ("2026-01-15T20:59", False),
        ("2026-07-15T20:00", True),
        ("2026-07-15T19:59", False),
    ],
)
def test_hours_are_local_in_summer_and_winter(moment, inside):
    """22:00 in Vienna is 21:00 UTC in winter and 20:00 UTC in summer (tz database)."""
    assert within_hours("22:00-06:00", local(moment, "UTC"), "Europe/Vienna") is inside


def test_a_route_at_night_is_not_heard_by_day():
    night = Route(outlets=["pager"], hours="22:00-06:00")
    assert hearing(night, at=local("2026-03-02T23:30", "America/Chicago"), timezone="America/Chicago") == [
        "pager"
    ]
    assert hearing(night, at=local("2026-03-02T12:30", "America/Chicago"), timezone="America/Chicago") == []


def test_a_route_may_tell_only_what_calls_for_somebody():
    """Opened, worse and speaking again call; taken, quiet and closed are good to know."""
    policy = Policy(outlets=["phone"], routes=[Route(outlets=["phone"], tells="calls")])
    story = Story(policy)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 8, kind="tray")
    name = story.notice("T2").id
    story.quiet(name, panels=1)
    story.run(1, {"T2": 1})
    story.take(name)
    story.run(5, {"T2": 1})
    story.load("T2", 40)
    heard = [
        word
        for told, word in zip(story.told, story.words(), strict=True)
        if route(policy, told.notice, START, calls=told.calls)
    ]
    assert story.words() == [
        "opened early",
        "changed early",
        "changed early",
        "changed early",
        "changed urgent",
        "closed refilled",
    ]
    assert heard == ["opened early", "changed early", "changed urgent"]
