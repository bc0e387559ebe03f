"""A slot says which source counts it, and since when its numbers can't have moved."""

from __future__ import annotations

from typing import Any

from service.domain.events import GatewayReport
from service.domain.model import to_rfc3339
from service.usecases.show import Shown
from service.wire.native import Address
from tests.support.story import Story


def told(story: Story) -> Any:
    """Source and staleness of the slot and of its station."""
    story.world.touch_all()
    committed = {key: data for key, data in story.world.take_changes().items() if data is not None}
    shown = Shown(committed=committed, archive=None, site="Tarn", reasons=list)  # type: ignore[arg-type]
    slot = shown.slot("L3", "P1", "F1")
    lines: Any = shown.lines()
    assert slot is not None
    station = lines[0]["stations"][0]
    return tuple((each["source"], each["stale_since"]) for each in (slot, station))


def counted() -> Story:
    story = Story()
    story.happen(Address("gateway", "L3", "P1"), GatewayReport(source="north", state="counts"))
    story.first("F1")
    story.run(2, {"F1": 1})
    return story


def test_before_anything_was_counted_no_source_is_known() -> None:
    story = Story()
    story.load("F1", 100)
    assert told(story) == ((None, None), (None, None))


def test_while_its_source_is_heard_nothing_is_stale() -> None:
    assert told(counted()) == (("north", None), ("north", None))


def test_once_its_source_is_silent_the_numbers_say_since_when() -> None:
    story = counted()
    since = story.now
    report = GatewayReport(source="north", state="silent", since=since, reason="away")
    story.happen(Address("gateway", "", None), report)
    assert told(story) == (("north", to_rfc3339(since)), ("north", to_rfc3339(since)))
    story.happen(Address("gateway", "", None), GatewayReport(source="north", state="well"))
    assert told(story) == (("north", None), ("north", None))


def test_a_link_that_is_gone_makes_them_stale_too() -> None:
    story = counted()
    story.later(30)
    story.say("L3/P1/link", {"at": story.time(), "state": "offline"})
    slot, station = told(story)
    assert slot == station
    assert slot[1] is not None
