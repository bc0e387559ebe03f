"""Notices that stand by themselves: begun once, ended once, and in the hands of people meanwhile."""

from __future__ import annotations

from service.domain import standing
from service.domain.model import Level
from service.domain.said import Said
from service.domain.world import World
from tests.support.story import START, Story


def begin(world: World, about: str = "chat", *, line: str | None = None) -> list[str]:
    said = Said("{outlet} delivers nothing.", {"outlet": about})
    told = standing.begin(world, "outlet", about, said, START, line=line)
    return [f"{each.change} {each.notice.about}" for each in told]


def test_one_notice_stands_for_each_thing_at_a_time():
    world = World()
    assert begin(world) == ["opened chat"]
    assert begin(world) == []
    assert begin(world, "mail") == ["opened mail"]
    assert begin(world, line="L3") == ["opened chat"]


def test_what_is_over_is_told_once_and_may_begin_anew_under_another_name():
    world = World()
    begin(world)
    first = next(iter(world.standing))
    (told,) = standing.end(world, "outlet", "chat", START + 1)
    assert (told.change, told.notice.closed_because) == ("closed", "ended")
    assert standing.end(world, "outlet", "chat", START + 2) == []
    standing.begin(world, "outlet", "chat", Said("again"), START + 3)
    assert first not in world.standing


def test_people_take_and_quiet_what_concerns_the_whole_site():
    story = Story()
    begin(story.world)
    (name,) = story.world.standing
    story.take(name, "Ilse")
    story.quiet(name, seconds=60)
    assert story.words(story.pass_time(61)) == ["changed outlet"]
    story.close(name)
    assert story.world.standing == {}
    assert not story.world.stations, "no station was made up for it"


def test_its_state_is_written_and_forgotten_with_it():
    world = World()
    begin(world)
    (key,) = (key for key in world.take_changes() if key.startswith("notice/"))
    standing.end(world, "outlet", "chat", START + 1)
    assert world.take_changes() == {key: None}


def test_the_level_says_how_urgent_it_is():
    world = World()
    (told,) = standing.begin(world, "silent", "", Said("P1 is silent."), START, line="L3", level=Level.EARLY)
    assert (told.notice.level, told.notice.line, told.notice.station) == ("early", "L3", None)
