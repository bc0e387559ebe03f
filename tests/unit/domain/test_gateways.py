"""Sources that aren't heard: one notice for each, stale numbers, no station blamed for it, and an end."""

from __future__ import annotations

import msgspec

from service.domain import floor, gateways, silence
from service.domain.events import GatewayReport, JournalEntry, Refusals
from service.domain.model import SECOND, Change
from service.domain.notices import Told
from service.domain.world import World
from service.usecases.fold import fold
from service.wire.journal import Exporter, read_entry, read_line
from service.wire.native import Address
from tests.support.story import START, Story

LONG_AGO = START - 3600 * SECOND
PLACE = Address("gateway", "L3", "P1")
EVERYWHERE = Address("gateway", "", None)


def at_work(source: str = "north") -> Story:
    """A station that ``source`` counts and whose order runs."""
    story = Story()
    story.recipe({"F1": 1})
    story.order("A", "running", panels=1000, recipe="R1")
    story.happen(PLACE, GatewayReport(source=source, state="counts"))
    story.first("F1")
    story.load("F1", 10_000)
    story.run(5, {"F1": 1})
    return story


def silent(story: Story, source: str = "north", *, reason="away", ago: int = 60) -> list[Told]:
    report = GatewayReport(source=source, state="silent", since=story.now - ago * SECOND, reason=reason)
    return story.happen(EVERYWHERE, report) or []


def well(story: Story, source: str = "north") -> list[Told]:
    return story.happen(EVERYWHERE, GatewayReport(source=source, state="well")) or []


def test_a_source_that_is_not_heard_is_one_notice_until_it_is_heard_again():
    story = at_work()
    since = story.now - 60 * SECOND
    (opened,) = silent(story)
    assert (opened.change, opened.notice.kind, opened.notice.about) == (Change.OPENED, "silent", "north")
    assert opened.notice.line is None
    assert "broker of source north hasn't been reached since 06:00" in opened.notice.message
    assert silent(story) == []
    assert gateways.stale_since(story.station()) == since
    (ended,) = well(story)
    assert (ended.change, ended.notice.id) == (Change.CLOSED, opened.notice.id)
    assert gateways.stale_since(story.station()) is None


def test_one_that_is_reached_and_says_nothing_is_told_in_other_words():
    (opened,) = silent(at_work(), reason="quiet")
    assert "Source north has said nothing since" in opened.notice.message


def test_another_source_is_not_touched_by_it():
    story = at_work("south")
    silent(story)
    assert gateways.stale_since(story.station()) is None
    assert gateways.silent(story.world) == {"north": None}
    assert silent(story, "south")
    assert gateways.silent(story.world) == {"north": None, "south": story.station().source.silent}


def test_that_of_our_own_contract_has_a_name_too():
    story = at_work("")
    (opened,) = silent(story, "")
    assert opened.notice.about == "mqtt"
    assert list(gateways.silent(story.world)) == [""]
    assert gateways.source_of(story.station()) == "mqtt"


def test_who_counts_a_station_is_not_known_before_its_first_count():
    story = Story()
    story.load("F1", 100)
    assert gateways.source_of(story.station()) is None
    silent(story, "")
    assert gateways.stale_since(story.station()) is None


def test_what_is_silent_is_known_after_a_restart_and_after_a_person_closed_the_notice():
    story = at_work()
    (opened,) = silent(story)
    stored = {key: data for key, data in story.world.take_changes().items() if data is not None}
    again = World.from_states(stored)
    since = story.station().source.silent
    assert gateways.silent(again) == {"north": since}
    story.close(opened.notice.id)
    assert gateways.silent(story.world) == {"north": since}


def test_stations_of_a_source_that_is_not_heard_are_not_blamed_one_by_one():
    story = at_work()
    silent(story)
    story.later(3600)
    assert not silence.is_due(story.world, story.now, LONG_AGO)


def test_once_it_is_heard_again_its_stations_get_their_time():
    story = at_work()
    silent(story)
    story.later(3600)
    well(story)
    story.later(119)
    assert not silence.is_due(story.world, story.now, LONG_AGO)
    story.later(2)
    assert silence.is_due(story.world, story.now, LONG_AGO)


def test_the_first_count_of_another_ends_that_numbers_are_stale():
    story = at_work()
    silent(story)
    story.happen(PLACE, GatewayReport(source="south", state="counts"))
    story.run(1, {"F1": 1})
    assert gateways.stale_since(story.station()) is None
    assert story.station().source.name == "south"


def test_numbers_behind_a_link_that_is_gone_are_as_old_as_its_last_count():
    story = at_work()
    connected = story.time()
    story.say("L3/P1/link", {"at": connected, "state": "online"})
    story.run(3, {"F1": 1})
    counted = story.station().counted_at
    story.later(60)
    story.say("L3/P1/link", {"at": connected, "state": "offline"})  # a will says when it was made
    assert gateways.stale_since(story.station()) == counted
    story.say("L3/P1/link", {"at": story.time(), "state": "online"})
    assert gateways.stale_since(story.station()) is None


def test_the_journal_carries_it_there_and_back():
    report = GatewayReport(source="north", state="silent", since=START, reason="away")
    entry = JournalEntry(START, "gateway", "", msgspec.json.encode(report))
    again = read_line(Exporter("Werk 1").entry(7, entry))
    assert again == entry
    assert isinstance(again, JournalEntry)
    assert read_entry(again)[1] == report
    told = fold(World(), again)
    assert told == floor.apply(World(), report, line="", station=None, at=START)
    assert told


def test_many_refused_messages_of_one_source_are_told_by_its_name():
    story = Story()
    where = Address("refusals", "", None)
    many = Refusals(refused=6, heard=20, reason="no JSON", source="north")
    (opened,) = story.happen(where, many) or []
    assert opened.notice.message.startswith("Source north: 6 of 20 messages were refused.")
    (other,) = story.happen(where, Refusals(refused=6, heard=20, reason="no JSON")) or []
    assert other.notice.message.startswith("Unknown places: 6 of 20")
    (ended,) = story.happen(where, Refusals(over=True, source="north")) or []
    assert (ended.change, ended.notice.id) == (Change.CLOSED, opened.notice.id)
