"""Lines are shown without reading what is in their slots, and nothing of them is missing for that."""

from __future__ import annotations

from service.domain.world import World
from service.usecases.lines import line_object, outlines
from tests.support.story import Story


def test_a_line_is_shown_as_from_the_whole_world() -> None:
    story = Story()
    story.say("L3/order", {"order": "A", "recipe": "r", "panels": 40, "state": "running"})
    story.say("L3/P1/recipe", {"recipe": "r", "usage": {"F1": 2, "F2": 1}})
    story.say("L3/P1/link", {"at": story.time(), "state": "online"})
    story.say("L3/P1/tower", {"lamps": {"green": "on"}})
    story.first("F1")
    story.load("F1", 1000)
    story.run(5, {"F1": 2})
    story.say("L4/P9/link", {"at": story.time(), "state": "offline"})
    story.world.touch_all()
    committed = {key: data for key, data in story.world.take_changes().items() if data is not None}
    whole, outlined = World.from_states(committed), outlines(committed)
    assert outlined.lines.keys() == whole.lines.keys() == {"L3", "L4"}
    for name in whole.lines:
        assert line_object(outlined, outlined.lines[name]) == line_object(whole, whole.lines[name])
