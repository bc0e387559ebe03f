"""How an outlet stands, from its last attempts and the notice about it."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain import floor
from service.domain.events import OutletReport
from service.domain.outage import state_of
from service.domain.traffic import Traffic
from service.domain.world import World
from tests.support.notices import AT


@pytest.mark.parametrize(
    ("traffic", "state"),
    [
        ({}, "new"),
        ({"succeeded_at": AT - 5}, "well"),
        ({"succeeded_at": AT - 5, "failed_at": AT - 9, "error": "refused"}, "well"),
        ({"failures": 1, "failing_since": AT - 5, "failed_at": AT - 5}, "failing"),
        ({"failures": 1, "failing_since": AT - 5, "paused_until": AT + 5}, "paused"),
        ({"failures": 1, "failing_since": AT - 5, "paused_until": AT}, "failing"),
    ],
)
def test_the_last_attempts_say_how_an_outlet_stands(traffic: dict[str, Any], state: str) -> None:
    assert state_of(Traffic(**traffic), None, AT) == state


@pytest.mark.parametrize(("report", "state"), [("gone", "gone"), ("failing", "failing")])
def test_an_outlet_is_gone_while_the_notice_says_so(report: Any, state: str) -> None:
    told = floor.apply(
        World(),
        OutletReport(outlet="hook", state=report, reason="answered 410 Gone"),
        line="",
        station=None,
        at=AT,
    )
    (opened,) = told or []
    assert state_of(Traffic(failures=1, failing_since=AT), opened.notice, AT) == state
    assert state_of(Traffic(succeeded_at=AT), opened.notice, AT) == "well"
