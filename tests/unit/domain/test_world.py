"""The remembered whole: what is put back after a commit that failed, and what comes back from the store."""

from __future__ import annotations

import contextlib
import itertools
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.life import Taken
from service.domain.notices import is_live
from service.domain.outcome import judge_station
from service.domain.policy import Limits, Policy, SlotRule, WarnRule
from service.domain.world import World
from tests.support.story import Story

# --- stories by chance ----------------------------------------------------------------------------------

STATIONS = st.sampled_from(["P1", "P2"])
SLOTS = st.sampled_from(["F1", "F2", "T2"])
PARTS = st.sampled_from([None, "MCU", "RAM"])
NAMES = st.sampled_from([None, None, "reel-1", "reel-2"])
AGO = st.sampled_from([None, 0.0, 5.0, 3600.0, 9 * 86400.0, -30.0])
SOME = st.integers(0, 30)
RECIPES = st.sampled_from(["A", "B"])
ORDERS = st.sampled_from(["o1", "o2", "o3"])

count = st.tuples(
    st.just("count"),
    st.fixed_dictionaries(
        {
            "slots": st.dictionaries(SLOTS, st.tuples(SOME, st.one_of(st.none(), SOME)), max_size=3),
            "station": STATIONS,
            "ago": AGO,
            "panels": st.one_of(st.none(), SOME),
            "seq": st.integers(0, 12),
            "session": st.sampled_from([None, "a", "b", "c"]),
            "counts": st.sampled_from(["total", "total", "delta"]),
            "mode": st.sampled_from(["production", "production", "dry"]),
        }
    ),
)
run = st.tuples(st.just("run"), st.fixed_dictionaries({"panels": st.integers(1, 6), "station": STATIONS}))
supply = st.tuples(
    st.just("supply"),
    st.fixed_dictionaries(
        {
            "change": st.sampled_from(["loaded", "joined", "counted", "removed"]),
            "slot": SLOTS,
            "quantity": SOME,
            "station": STATIONS,
            "ago": AGO,
            "part": PARTS,
            "supply": NAMES,
            "kind": st.sampled_from([None, "tape", "tray"]),
            "id": st.sampled_from([None, "i1", "i2"]),
        }
    ),
)
tap = st.tuples(
    st.just("supply"),
    st.fixed_dictionaries({"change": st.just("loaded"), "slot": SLOTS, "station": STATIONS, "supply": NAMES}),
)
recipe = st.tuples(
    st.just("recipe"),
    st.fixed_dictionaries(
        {
            "usage": st.dictionaries(SLOTS, st.sampled_from([0, 0.5, 1, 4]), max_size=3),
            "name": RECIPES,
            "station": STATIONS,
            "active": st.booleans(),
            "parts": st.dictionaries(SLOTS, st.sampled_from(["MCU", "RAM"]), max_size=2),
            "alternates": st.sampled_from([[], [["F1", "F2"]]]),
            "retained": st.booleans(),
        }
    ),
)
order = st.tuples(
    st.just("order"),
    st.fixed_dictionaries(
        {
            "name": ORDERS,
            "state": st.sampled_from(["queued", "running", "finished", "withdrawn"]),
            "recipe": RECIPES,
            "panels": st.one_of(st.none(), SOME),
            "retained": st.booleans(),
        }
    ),
)
tower = st.tuples(
    st.just("tower"),
    st.fixed_dictionaries(
        {
            "slots": st.lists(SLOTS, max_size=2, unique=True),
            "station": STATIONS,
            "buzzer": st.sampled_from(["off", "on"]),
            "yellow": st.sampled_from(["off", "flashing"]),
            "ago": AGO,
        }
    ),
)
act = st.tuples(
    st.just("act"),
    st.fixed_dictionaries(
        {
            "what": st.sampled_from(["take", "quiet", "close"]),
            "by": st.sampled_from(["Ines", "Bram"]),
            "which": st.integers(0, 5),
        }
    ),
)
time = st.tuples(st.just("pass_time"), st.fixed_dictionaries({"seconds": st.integers(0, 900)}))
policy = st.tuples(
    st.just("policy"),
    st.sampled_from(
        [
            {},
            {"warn": Limits(lead_panels=4)},
            {"rules": [WarnRule(part="MCU", lead_panels=20)]},
            {"slots": [SlotRule(slot="T*", kind="tray", full=20), SlotRule(slot="F*", part="RAM", full=30)]},
        ]
    ),
)
scene = st.tuples(st.just("scene"), st.fixed_dictionaries({"station": STATIONS, "left": SOME}))
EVENTS = st.one_of(scene, count, run, run, run, supply, tap, recipe, recipe, order, tower, act, time, policy)
EVENT_LISTS = st.lists(EVENTS, max_size=25)


def happen(story: Story, events: list[tuple[str, dict[str, Any]]]) -> None:
    for what, how in events:
        with contextlib.suppress(Taken, KeyError):
            _happen(story, what, dict(how))


def _happen(story: Story, what: str, how: dict[str, Any]) -> None:
    story.later(1)
    if what == "tower":
        story.tower(*how.pop("slots"), **how)
    elif what == "run":
        story.run(how["panels"], {"F1": 4, "T2": 1}, station=how["station"])
    elif what == "scene":
        story.recipe({"F1": 4, "T2": 1}, "A", station=how["station"], alternates=[["F1", "F2"]])
        story.first("F1", "F2", "T2", station=how["station"])
        for slot in ("F1", "F2", "T2"):
            story.load(slot, how["left"], kind="tray", station=how["station"])
    elif what == "order":
        story.order(how.pop("name"), how.pop("state"), **how)
    elif what == "act":
        ids = sorted(story.world.notices)
        more = {"panels": 3} if how["what"] == "quiet" else {}
        getattr(story, how["what"])(ids[how["which"] % len(ids)] if ids else "n-none", how["by"], **more)
    elif what == "policy":
        story.set_policy(Policy(**how))
    else:
        getattr(story, what)(**how)


def everything(world: World) -> dict[str, bytes]:
    world.touch_all()
    return {key: data for key, data in world.take_changes().items() if data is not None}


# --- the rules ------------------------------------------------------------------------------------------


def fresh(world):
    """Sights are taken anew when a slot is judged; here all at once."""
    for station in world.stations.values():
        for slot in station.slots.values():
            world.sight(station, slot)
    return world


@given(EVENT_LISTS)
@settings(max_examples=100)
def test_what_was_stored_is_the_world(events):
    """Not only what is written: what is derived from it, the sights and indexes, is the same as well."""
    story = Story()
    happen(story, events)
    assert World.from_states(everything(story.world)) == fresh(story.world)


@given(EVENT_LISTS, EVENT_LISTS, st.randoms(use_true_random=False))
@settings(max_examples=100)
def test_what_changed_is_touched_and_restore_puts_everything_back(committed_events, failed_events, chance):
    story = Story()
    happen(story, committed_events)
    committed = everything(story.world)
    happen(story, failed_events)
    drafted = story.world.take_changes()
    after = everything(story.world)
    changed = {key for key in {*committed, *after} if committed.get(key) != after.get(key)}
    assert changed <= set(drafted)
    keys = sorted(drafted)
    chance.shuffle(keys)
    story.world.restore(keys, committed)
    assert story.world.touched == set()
    assert everything(story.world) == committed
    assert fresh(story.world) == World.from_states(committed)


@given(EVENT_LISTS, EVENT_LISTS)
@settings(max_examples=50)
def test_a_world_from_the_store_goes_on_like_the_one_that_was_stored(before, after):
    straight, stopped = Story(), Story()
    happen(straight, before)
    happen(stopped, before)
    stopped.world = World.from_states(everything(stopped.world))
    happen(straight, after)
    happen(stopped, after)
    assert straight.told == stopped.told
    assert everything(straight.world) == everything(stopped.world)


@given(EVENT_LISTS)
@settings(max_examples=100)
def test_the_indexes_say_what_the_slots_say(events):
    story = Story()
    happen(story, events)
    world = story.world
    for place, station in world.stations.items():
        live = {name for name, slot in station.slots.items() if is_live(slot.notice)}
        assert world.watched[place] == live
    kept = {
        slot.notice.id: (*place, name)
        for place, station in world.stations.items()
        for name, slot in station.slots.items()
        if slot.notice is not None
    }
    assert world.notices == kept


@given(EVENT_LISTS)
@settings(max_examples=100)
def test_a_supply_that_has_a_name_is_in_one_place(events):
    story = Story()
    happen(story, events)
    world = story.world
    loaded = [
        (slot.supply, (*place, slot.name))
        for place, station in world.stations.items()
        for slot in station.slots.values()
        if slot.supply is not None
    ]
    assert len({name for name, _ in loaded}) == len(loaded)
    assert {name: world.supplies[name].where for name, _ in loaded} == dict(loaded)
    assert {name for name, known in world.supplies.items() if known.where} == {name for name, _ in loaded}


@given(EVENT_LISTS)
@settings(max_examples=100)
def test_whatever_happens_what_is_told_is_a_story(events):
    """Opened once, then changes and an end, versions without a gap; the level falls only on opening again."""
    story = Story()
    happen(story, events)
    last: dict[str, Any] = {}
    for told in story.told:
        notice, before = told.notice, last.get(told.notice.id)
        assert notice.version == (before.version + 1 if before else 1)
        if before is None or before.state == "closed":
            assert told.change == "opened"
        else:
            assert told.change in ("changed", "closed")
            assert ["early", "urgent", "empty"].index(notice.level) >= ["early", "urgent", "empty"].index(
                before.level
            )
        assert (told.change == "closed") == (notice.state == "closed") == (notice.closed_because is not None)
        last[notice.id] = notice


@given(EVENT_LISTS)
@settings(max_examples=60)
def test_after_each_event_nothing_remains_to_be_told(events):
    """Only the slots an event concerns are judged; judging all of them again finds nothing they missed."""
    story = Story()
    for event in events:
        happen(story, [event])
        world = World.from_states(everything(story.world))
        for place in sorted(world.stations):
            assert judge_station(world, world.stations[place], story.now) == []


@given(EVENT_LISTS)
@settings(max_examples=50)
def test_slots_that_feed_the_same_placements_have_one_notice(events):
    story = Story()
    happen(story, events)
    for place, watched in story.world.watched.items():
        for name in watched:
            group = set(story.world.sights[place][name].group)
            assert len(watched & group) <= 1


def test_only_what_changed_is_written():
    story = Story()
    for station in ("P1", "P2"):
        story.load("F1", 100, station=station)
    story.world.take_changes()
    story.load("F1", 90, station="P2")
    assert set(story.world.take_changes()) == {"station/L3/P2", "stays/L3/P2/F1"}
    assert story.world.take_changes() == {}


def test_restoring_the_first_settings_changes_what_every_slot_sees():
    story = Story()
    story.load("F1", 100)
    committed = everything(story.world)
    del committed["site"]
    story.set_policy(Policy(warn=Limits(lead_panels=99)))
    story.world.restore(story.world.take_changes(), committed)
    assert story.sight("F1").limits.lead_panels == 10


@pytest.mark.parametrize(
    "keys", list(itertools.permutations(["site", "line/L3", "station/L3/P1", "stays/L3/P1/F1"]))
)
def test_whatever_the_order_of_the_keys_nothing_is_left_of_what_was_never_stored(keys):
    story = Story(Policy(warn=Limits(lead_panels=99)))
    story.load("F1", 100)
    story.order("o1", "running")
    story.world.restore([*keys, "run/L3/P1"], {})
    assert story.world == World()


def test_a_station_that_a_failed_commit_made_is_gone_with_its_notices():
    story = Story()
    story.out("T2", station="P9")
    notice = story.notice("T2", station="P9").id
    story.world.restore(story.world.take_changes(), {})
    assert story.world == World()
    with pytest.raises(KeyError):
        story.take(notice)


def test_a_notice_that_ended_with_its_loading_is_not_remembered_for_ever():
    story = Story()
    story.recipe({"T2": 1})
    for _ in range(20):
        story.load("T2", 5, kind="tray")
    assert len(story.world.notices) == 1
