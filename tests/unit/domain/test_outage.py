"""The notice that an outlet can't deliver: one stands, the others tell it, a replay finds the same."""

from __future__ import annotations

import msgspec
import pytest

from service.domain import floor, outage
from service.domain.events import JournalEntry, OutletReport
from service.domain.model import Change
from service.domain.policy import Policy, Route
from service.domain.routing import route
from service.domain.world import World
from service.usecases.fold import fold
from service.wire.journal import Exporter, read_entry, read_line
from tests.support.notices import AT, notice

FAILING = OutletReport(outlet="hook", state="failing", reason="answered 503 Service Unavailable")
WELL = OutletReport(outlet="hook", state="well")


def apply(world: World, report: OutletReport, at: int = AT):
    return floor.apply(world, report, line="", station=None, at=at) or []


def test_a_failing_outlet_opens_one_notice_and_closes_it_when_it_is_well() -> None:
    world = World()
    (opened,) = apply(world, FAILING)
    assert (opened.change, opened.notice.kind, opened.notice.about) == (Change.OPENED, "outlet", "hook")
    assert opened.notice.line is None
    assert "answered 503 Service Unavailable" in opened.notice.message
    assert apply(world, FAILING, AT + 1) == []
    assert outage.troubled(world) == ["hook"]
    (ended,) = apply(world, WELL, AT + 2)
    assert (ended.change, ended.notice.id) == (Change.CLOSED, opened.notice.id)
    assert ended.notice.message.startswith("hook: closed")
    assert outage.troubled(world) == []


def test_an_outlet_that_is_well_without_a_trouble_before_is_no_news() -> None:
    assert apply(World(), WELL) == []


def test_two_outlets_have_a_notice_each() -> None:
    world = World()
    apply(world, FAILING)
    assert apply(world, OutletReport(outlet="chat", state="gone"))
    assert sorted(outage.troubled(world)) == ["chat", "hook"]


@pytest.mark.parametrize(
    "routes",
    [
        [],
        [Route(outlets=["hook", "mail"], kind="outlet")],
        [Route(outlets=["hook"]), Route(outlets=["mail"])],
    ],
)
def test_it_is_told_through_every_other_outlet_that_the_routes_name(routes: list[Route]) -> None:
    policy = Policy(outlets=["hook", "mail"], routes=routes)
    world = World()
    (opened,) = apply(world, FAILING)
    assert route(policy, opened.notice, AT) == ["mail"]
    if not routes:
        assert route(policy, notice(about="hook"), AT) == ["hook", "mail"]


def test_the_journal_carries_the_report_there_and_back() -> None:
    entry = JournalEntry(AT, "outlet", "", msgspec.json.encode(FAILING))
    again = read_line(Exporter("Werk 1").entry(7, entry))
    assert again == entry
    assert isinstance(again, JournalEntry)
    assert read_entry(again)[1] == FAILING
    assert fold(World(), again) == apply(World(), FAILING)
