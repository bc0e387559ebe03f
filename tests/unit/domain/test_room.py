"""Names that somebody invents come to an end, and what is known goes on as ever."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.domain import room
from service.domain.world import World
from service.wire.native import Misfit, read_message, read_topic
from tests.support.story import Story


def lacking(world: World, topic: str, **body: Any) -> str | None:
    address = read_topic(f"floor/{topic}".encode(), "floor")
    message = read_message(address, json.dumps(body).encode())
    return room.lacking(world, message, address.line, address.station)


def flood(topics: list[str], **body: Any) -> tuple[Story, list[str]]:
    """Say it on each topic where there is room; what was refused, by reason."""
    story, refused = Story(), []
    for topic in topics:
        if why := lacking(story.world, topic, **body):
            refused.append(why)
        else:
            story.say(topic, body)
    return story, refused


COUNT: dict[str, Any] = {"session": "a", "seq": 1, "slots": {"F1": {"placed": 1}}}


def test_invented_stations_of_a_line_come_to_an_end_and_other_lines_dont_mind() -> None:
    story, refused = flood([f"L1/P{n}/count" for n in range(1_100)], **COUNT)
    assert len(story.world.stations) == room.MOST_OF_A_LINE
    assert len(refused) == 1_100 - room.MOST_OF_A_LINE
    assert refused[0] == "station P1000 is new, and 1000 stations of line L1 are known already"
    assert lacking(story.world, "L1/P7/count", **COUNT) is None
    assert lacking(story.world, "L2/P1/count", **COUNT) is None


def test_invented_lines_come_to_an_end() -> None:
    story, refused = flood([f"L{n}/P1/count" for n in range(1_000)], **COUNT)
    assert len(story.world.lines) == room.MOST_LINES
    assert refused[0] == "line L200 is new, and 200 lines are known already"


def test_a_hundred_thousand_invented_topics_make_no_more_stations_than_a_plant_has() -> None:
    topics = [f"L{n % 150}/P{n}/link" for n in range(100_000)]
    story, refused = flood(topics, state="online")
    assert len(story.world.stations) == room.MOST_STATIONS
    assert len(refused) == 95_000


def test_invented_slots_of_a_station_come_to_an_end_by_whatever_message() -> None:
    slots = {f"F{n}": {"placed": 1} for n in range(room.MOST_SLOTS)}
    story = Story()
    story.say("L1/P1/count", COUNT | {"slots": slots})
    why = "station P1 would have 1001 slots (at most 1000)"
    assert lacking(story.world, "L1/P1/count", slots={"X": {"placed": 1}}) == why
    assert lacking(story.world, "L1/P1/supply", slot="X", change="loaded") == why
    assert lacking(story.world, "L1/P1/recipe", recipe="r", usage={"X": 1}) == why
    assert lacking(story.world, "L1/P1/tower", lamps={"yellow": "flashing"}, slots=["X"]) == why
    assert lacking(story.world, "L1/P1/count", slots=slots) is None
    assert lacking(story.world, "L1/P1/supply", slot="F7", change="loaded") is None
    too_many = {f"F{n}": {"placed": 1} for n in range(room.MOST_SLOTS + 1)}
    assert lacking(story.world, "L1/P2/count", slots=too_many) is not None


def test_invented_orders_come_to_an_end_and_what_is_known_goes_on() -> None:
    story, refused = flood([f"L1/order/o{n}" for n in range(1_100)], state="queued", panels=1)
    assert len(refused) == 100
    assert refused[0] == "1000 orders of line L1 are known already"
    assert lacking(story.world, "L1/order/new", state="queued") is not None
    assert lacking(story.world, "L1/order/o5", state="running") is None


@pytest.mark.parametrize("name", ["+", "#", "L+", "P#", "$SYS", "", "a\0b", "x" * 65])
def test_a_name_that_could_be_a_wildcard_or_nothing_does_not_arrive(name: str) -> None:
    for topic in (f"floor/{name}/P1/count", f"floor/L1/{name}/count"):
        with pytest.raises(Misfit):
            read_topic(topic.encode(), "floor")
