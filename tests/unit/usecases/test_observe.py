"""What happened in a recorded time, read from its lines."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import msgspec
import pytest

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.model import SECOND, Instant, to_rfc3339
from service.domain.notices import Told
from service.domain.track import Counted, LineTrack, OrderSet, StationTrack, Supplied, Track, Used
from service.domain.world import World
from service.usecases.observe import observe
from service.wire.journal import StartState
from simulators import events as plant
from simulators.plan import GatewayPlan
from simulators.scenario import load_scenario, shipped
from tests.support.shifts import Shift, lines_of, shift
from tests.support.story import START, Story

NOTHING = StartState(position=0, at=START - 1, policy=msgspec.Raw(b"{}"))


class Journal(Story):
    """A story that is also written down."""

    def __init__(self) -> None:
        super().__init__()
        self.entries: list[JournalEntry] = []

    def say(self, topic: str, message: object, *, retained: bool = False) -> list[Told] | None:
        told = super().say(topic, message, retained=retained)  # type: ignore[arg-type]
        if told is not None:
            *place, kind = topic.split("/")
            if "order" in place:
                place, kind = [place[0], kind], "order"
            elif "recipe" in place:
                place, kind = [*place[:2], kind], "recipe"
            data = json.dumps(message).encode()
            self.entries.append(JournalEntry(self.now, kind, "/".join(place), data, retained))
        return told

    def track(self, since: Instant | None = None, until: Instant | None = None) -> Track:
        return observe(lines_of(self.entries, NOTHING), since=since, until=until)


def station(track: Track, name: str = "P1") -> StationTrack:
    return track.lines["L3"].stations[name]


def seconds(at: Instant) -> int:
    return round((at - START) / SECOND)


def used(rows: list[Counted]) -> dict[str, tuple[int, int]]:
    sums: dict[str, tuple[int, int]] = {}
    for row in rows:
        for slot, each in row.used.items():
            placed, lost = sums.get(slot, (0, 0))
            sums[slot] = placed + each.placed, lost + (each.lost or 0)
    return sums


@pytest.fixture(scope="module")
def faulty() -> Shift:
    """An hour whose messages are doubled, late, lost and counted anew."""
    scenario = load_scenario(shipped()["demo"])
    faults = GatewayPlan(repeat=0.05, reorder=0.1, lose=0.03, restart=0.01, skew=-40.0)
    return shift(replace(scenario, gateways=faults), hours=1.0)


def test_what_counts_added_is_what_was_really_used_whatever_the_network_did(faulty: Shift) -> None:
    track = observe(faulty.lines).lines["L3"]
    really: dict[str, dict[str, tuple[int, int]]] = {}
    for _, event in faulty.events:
        if isinstance(event, plant.Counted):
            really.setdefault(event.station, {}).update(event.slots)
    for name, each in track.stations.items():
        sums, last = used(each.counts), really[name]
        assert sum(map(sum, sums.values())) == pytest.approx(sum(map(sum, last.values())), rel=0.01)
        assert all(sums[slot][1] <= last[slot][1] for slot in sums)


def test_panels_stand_at_the_moments_at_which_they_were_complete(faulty: Shift) -> None:
    track = observe(faulty.lines).lines["L3"]
    for name, each in track.stations.items():
        made = Counter(round(event.at) for _, event in faulty.events if _made(event, name))
        found = [seconds(row.at) for before, row in pairwise(each.counts) if row.panels > before.panels]
        right = sum(any(at + off in made for off in (-1, 0, 1)) for at in found)
        assert len(found) > 0.9 * made.total()
        assert right > 0.97 * len(found)
        assert [row.at for row in each.counts] == sorted(row.at for row in each.counts)


def _made(event: plant.Event, name: str) -> bool:
    return isinstance(event, plant.PanelMade) and event.station == name


def test_a_time_without_bounds_goes_from_the_first_entry_to_the_last(faulty: Shift) -> None:
    track = observe(faulty.lines)
    assert (track.site, track.since, track.entries) == ("plant", START + 1, len(faulty.lines) - 1)
    assert 0 < track.messages < track.entries
    assert track.acts
    assert track.told


def test_a_time_within_a_recording_begins_with_what_held_then(faulty: Shift) -> None:
    since, until = START + 1200 * SECOND, START + 2400 * SECOND
    whole, part = observe(faulty.lines), observe(faulty.lines, since=since, until=until)
    for name, each in part.lines["L3"].stations.items():
        same = whole.lines["L3"].stations[name]
        before = [row.panels for row in same.counts if row.at < since]
        assert each.progress == pytest.approx(before[-1], abs=3)
        assert (each.towers[0].at, each.recipes[0].at) == (since, since)
        moments = [row.at for row in each.counts] + [row.at for row in each.towers]
        moments += [row.at for row in each.supplies]
        assert all(since <= at < until for at in moments)
    assert part.lines["L3"].orders[0].at == since
    assert part.policies == [(since, whole.policy)]


def test_who_looks_on_sees_each_entry_that_is_kept(faulty: Shift) -> None:
    seen: list[Instant] = []

    class Onlooker:
        def look(self, world: World, at: Instant, entry: JournalEntry, told: list[Told]) -> None:
            seen.append(at)

    since = START + 1800 * SECOND
    track = observe(faulty.lines, since=since, watch=[Onlooker()])
    assert len(seen) == track.entries
    assert seen[0] >= since


def test_progress_says_how_many_entries_were_read() -> None:
    told: list[int] = []
    entries = [
        JournalEntry(START + number, "link", "L3/P1", b'{"state": "online"}') for number in range(2500)
    ]
    observe(lines_of(entries, NOTHING), progress=told.append)
    assert told == [1000, 2000]


def test_what_was_lost_is_unknown_where_nobody_said() -> None:
    story = Journal()
    story.count({"F1": (0, None)}, session="s", seq=1, panels=0)
    story.later(20).count({"F1": (10, None)}, session="s", seq=2, panels=1)
    assert station(story.track()).counts[-1].used == {"F1": Used(placed=10, lost=None)}


def test_a_late_total_says_when_a_part_of_what_came_after_it_was_done() -> None:
    story = Journal()
    story.count({"F1": (0, 0)}, session="s", seq=1, panels=0)
    story.later(40).count({"F1": (20, 2)}, session="s", seq=3, panels=2)
    story.later(5).count({"F1": (10, 1)}, ago=25, session="s", seq=2, panels=1)
    assert [(seconds(row.at), row.panels, row.used["F1"]) for row in station(story.track()).counts] == [
        (0, 0, Used(placed=0, lost=0)),
        (20, 1, Used(placed=10, lost=1)),
        (40, 2, Used(placed=10, lost=1)),
    ]


def test_a_clock_that_is_wrong_is_put_right() -> None:
    story = Journal()
    for panel in range(4):
        story.later(20).count({"F1": (10 * panel, 0)}, ago=90, session="s", seq=panel, panels=panel)
    assert [seconds(row.at) for row in station(story.track()).counts] == [20, 40, 60, 80]


def test_supplies_say_what_the_books_had_left() -> None:
    story = Journal()
    story.first("F1")
    story.load("F1", 100, part="R1", kind="tape", id="a")
    story.run(4, {"F1": 10})
    story.load("F1", 100, part="R1", kind="tape", id="b")
    first, second = station(story.track()).supplies
    assert (first.left, second.left) == (None, 60)
    assert station(story.track()).parts == {"F1": ("R1", "tape")}


def test_a_refill_that_nobody_reported_is_a_supply_too() -> None:
    story = Journal()
    story.first("F1")
    story.load("F1", 30, id="a")
    story.run(3, {"F1": 10})
    story.out("F1")
    story.later(60).green()
    story.run(1, {"F1": 10})
    found = station(story.track()).supplies[-1]
    assert isinstance(found, Supplied)
    assert (found.change, found.left, seconds(found.at)) == ("believed", 0, 140)


def test_an_order_that_begins_ends_the_one_before() -> None:
    story = Journal()
    story.first("F1")
    story.order("A", "running", recipe="R1", panels=10)
    story.later(60).order("B", "running", recipe="R1", panels=20)
    line = story.track().lines["L3"]
    assert isinstance(line, LineTrack)
    assert [(each.order, each.state) for each in line.orders] == [
        ("A", "running"),
        ("A", "finished"),
        ("B", "running"),
    ]
    assert all(isinstance(each, OrderSet) for each in line.orders)


def test_recipes_stand_in_order_even_where_an_order_comes_late() -> None:
    story = Journal()
    story.first("F1")
    story.order("X", "queued", recipe="A", panels=10, at=to_rfc3339(story.now))
    story.later(60).recipe({"F1": 1}, "A")
    story.later(5).recipe({"F1": 2}, "B")
    story.later(5).order("X", "running", recipe="A", panels=10, at=to_rfc3339(story.now - 40 * SECOND))
    track = story.track()
    assert [(each.recipe, seconds(each.at)) for each in station(track).recipes] == [
        ("A", 60),
        ("B", 65),
        ("A", 65),
    ]
    assert seconds(track.lines["L3"].orders[-1].at) < 60


def test_a_line_that_is_not_ours_is_named() -> None:
    with pytest.raises(Unfit, match="line 2: not an event of ours"):
        observe([*lines_of([], NOTHING), b'{"a": 1}'])
