"""What a floor may say that is odd, late or said twice: it costs nobody a warning, a count or the program.

How brokers repeat messages: MQTT 5.0, section 4.4 (messages are sent again when a session goes on). The rest
is common practice, no source."""

from __future__ import annotations

from datetime import datetime

import pytest

from service.domain.counting import Hearing, hear
from service.domain.events import CountMessage, SupplyCare
from service.domain.lots import SlotStays
from service.domain.model import SECOND, to_rfc3339
from service.domain.named import USED_UP_KEPT
from service.domain.policy import Policy, Shift, SlotRule
from service.domain.recipes import MOST_RECIPES, merged
from service.domain.state import StationState
from service.domain.succession import MOST_AT_HAND
from service.domain.world import World
from service.wire.native import Address
from tests.support.story import Story

UNSET = "0001-01-01T00:00:00+01:00"
"""What a clock that nobody set says an hour east of Greenwich; before the year 1 in UTC."""


def plant(policy: Policy | None = None, *, usage: int = 10, quantity: int = 1000, **more) -> Story:
    story = Story(policy)
    story.recipe({"F1": usage})
    story.first("F1")
    story.load("F1", quantity, ago=0, **more)
    return story


# --- clocks that nobody set -----------------------------------------------------------------------------


@pytest.mark.parametrize("said", [UNSET, "1970-01-01T00:00:00Z", "1999-12-31T23:59:59Z"])
def test_a_package_that_was_opened_before_anybody_was_born_was_opened_nobody_knows_when(said):
    story = Story()
    story.first("F1")
    story.supply("loaded", "F1", quantity=10, opened_at=said, moisture_level="3")
    loaded = story.slot("F1").exposure
    assert loaded is not None
    assert [each.change for each in loaded.changes] == ["loaded"]
    at = datetime.fromisoformat(said)
    care = SupplyCare(supply="S8", change="opened", at=at, moisture_level="3")
    story.happen(Address("care", "", None), care)
    exposure = story.world.supplies["S8"].exposure
    assert exposure is not None
    assert exposure.changes[0].at == story.now


def test_each_moment_can_be_said():
    assert to_rfc3339(-(10**18)) == "0001-01-01T00:00:00.000Z"
    assert to_rfc3339(10**18) == "9999-12-31T23:59:59.999Z"


def test_a_clock_that_is_set_between_two_counts_is_no_takt_and_stops_no_count():
    shifts = Policy(timezone="Europe/Vienna", shifts=(Shift(start="06:00", end="22:00"),))
    story = Story(shifts)
    story.recipe({"F1": 10})
    story.load("F1", 300, ago=0)
    count = {"session": "a", "slots": {"F1": {"placed": 0}}, "panels": 0, "seq": 1}
    story.say("L3/P1/count", count | {"at": "0001-01-01T00:00:00Z"})
    for seq in (2, 3):
        story.later(20)
        placed = {"F1": {"placed": 10 * (seq - 1)}}
        story.say("L3/P1/count", count | {"seq": seq, "panels": seq - 1, "slots": placed, "at": story.time()})
    assert story.slot("F1").book == 280
    assert list(story.station().takts) == [pytest.approx(20.0, abs=0.001)]


# --- said late ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", ["loaded", "counted"])
def test_what_was_used_since_somebody_loaded_or_counted_is_gone(change):
    story = plant()
    story.run(20, {"F1": 10})
    story.later(1)
    story.supply(change, "F1", quantity=500, ago=201)
    assert story.slot("F1").book == 400


@pytest.mark.parametrize("sensor", [True, False])
def test_a_low_signal_from_before_a_refill_says_nothing_of_the_new_supply(sensor):
    story = plant(Policy(slots=[SlotRule(slot="F1", low_sensor=sensor)]))
    for _ in range(3):
        story.run(95, {"F1": 10})
        story.tower("F1", yellow="flashing", ago=0)
        story.run(1, {"F1": 10})
        story.load("F1", 1000, ago=0)
        story.green(ago=0)
    before = len(story.told)
    story.later(30)
    story.load("F1", 1000, ago=10)
    story.tower("F1", yellow="flashing", ago=25)
    slot = story.slot("F1")
    assert (slot.low_since, slot.low_counted, slot.unseen) == (None, None, 0.0)
    assert story.told[before:] == []


def test_a_late_count_is_taken_off_the_named_supply_that_was_removed():
    story = plant(supply="S1", kind="tray")
    story.run(10, {"F1": 10})
    story.later(100)
    story.remove("F1", ago=20)
    story.load("F1", 1000, supply="S2", kind="tray", ago=10)
    story.count({"F1": (150, 0)}, ago=30, session="s1", seq=story.seq["P1"] + 1, panels=15)
    left = story.world.supplies["S1"].stock
    assert left is not None
    assert left.declared - left.counted == 850
    assert story.slot("F1").book == 1000


# --- closed by a person, then counted -------------------------------------------------------------------


@pytest.mark.parametrize("level", ["urgent", "empty"])
def test_what_is_counted_after_a_person_closed_is_warned_of_again(level):
    story = plant(quantity=130, kind="tray")
    story.run(11 if level == "urgent" else 13, {"F1": 10})
    if level == "empty":
        story.out("F1")
    notice = story.notice("F1")
    assert notice.level == level
    story.close(notice.id)
    story.green()
    story.counted("F1", 3000)
    before = len(story.told)
    story.run(298, {"F1": 10})
    assert story.words(story.told[before:]) == ["opened early", "changed urgent"]
    assert {told.notice.id for told in story.told[before:]} == {notice.id}


def test_who_closes_and_counts_that_it_is_nearly_empty_isnt_told_again():
    story = plant(quantity=130, kind="tray")
    story.run(11, {"F1": 10})
    story.close(story.notice("F1").id)
    before = len(story.told)
    story.counted("F1", 20)
    assert story.told[before:] == []


# --- slots that feed the same placements ----------------------------------------------------------------


def test_a_refill_of_one_closes_what_was_said_of_all_though_nobody_says_how_many():
    story = Story()
    story.recipe({"A": 10, "B": 10}, alternates=[["A", "B"]])
    story.first("A", "B")
    story.load("A", 100, kind="tape")
    story.load("B", 100, kind="tape")
    story.run(10, {"A": 10})
    story.out("A")
    story.green()
    story.run(10, {"B": 10})
    story.out("A", "B")
    assert story.notice("A").level == "empty"
    story.load("B")
    assert (story.notice("A").state, story.notice("A").closed_because) == ("closed", "refilled")
    story.green()
    story.run(40, {"B": 10})
    before = len(story.told)
    story.out("A", "B")
    assert story.words(story.told[before:]) == ["opened empty"]


def test_groups_that_share_a_slot_are_one():
    assert merged([["A", "B"], ["C", "D"], ["B", "C"]]) == [["A", "B", "C", "D"]]
    assert merged([["A", "B"], ["C"]]) == [["A", "B"], ["C"]]
    story = Story()
    story.recipe({"A": 5, "B": 5, "C": 10}, alternates=[["A", "B"], ["B", "C"]])
    story.first("A", "B", "C")
    for name, quantity in (("A", 60), ("B", 20), ("C", 150)):
        story.load(name, quantity, kind="tray")
    for panel in range(25):
        story.run(1, {"ABC"[panel % 3]: 5})
    assert len(story.told) <= 3
    assert story.sight("B").group == ("A", "B", "C")


# --- without a recipe and without panels ----------------------------------------------------------------


def test_each_low_lamp_is_told_of_where_nobody_knows_how_many_make_a_panel():
    story = Story()
    placed = 0
    for _ in range(3):
        before = len(story.told)
        for place in range(7):
            if place == 5:
                story.tower("F1", yellow="flashing", ago=0)
            placed += 10
            story.later(20).count({"F1": placed}, session="a")
        assert "opened early" in story.words(story.told[before:])
        story.green(ago=0)


# --- sent again -----------------------------------------------------------------------------------------


def test_a_difference_that_is_sent_again_counts_once_and_two_of_one_moment_count_both():
    story = Story()
    story.load("F1", 1000)
    story.load("F2", 1000)
    story.count({"F1": 10}, session="a", counts="delta")
    story.later(20)
    said = {"session": "a", "counts": "delta", "at": story.time(), "slots": {"F1": {"placed": 10}}}
    assert story.say("L3/P1/count", said) is not None
    assert story.say("L3/P1/count", said) is None
    assert story.say("L3/P1/count", said | {"slots": {"F2": {"placed": 10}}}) is not None
    assert (story.slot("F1").book, story.slot("F2").book) == (980, 990)


def test_the_first_number_of_a_session_may_come_after_the_second():
    def count(session: str, seq: int) -> CountMessage:
        return CountMessage(session=session, seq=seq, counts="delta", slots={})

    station = StationState("L3", "P1")
    hear(station, count("a", 1), None)
    assert hear(station, count("b", 2), None) == (Hearing.AFRESH, 0)
    assert hear(station, count("b", 1), None)[0] is Hearing.LATE
    assert hear(station, count("b", 1), None)[0] is Hearing.REPEAT


def test_orders_that_a_broker_sends_again_dont_begin_again():
    story = plant(quantity=9000, kind="tray")
    said = []
    for name, panels in (("A", 5), ("B", 100)):
        order = {"order": name, "state": "running", "panels": panels, "recipe": "R1"}
        said.append(order | {"at": story.time()})
        story.say("L3/order", said[-1])
        story.run(min(panels, 60), {"F1": 10})
    assert [story.say("L3/order", each) for each in said] == [None, None]
    assert (story.station().order, story.station().order_done) == ("B", 60)
    story.say("L3/order", said[0] | {"at": story.time()})
    assert (story.station().order, story.station().order_done) == ("A", 0), "begun anew it begins"


# --- for weeks ------------------------------------------------------------------------------------------


def test_what_is_at_hand_of_a_slot_is_bounded_though_no_end_is_ever_settled():
    story = Story()
    story.recipe({"F1": 10})
    for number in range(50):
        story.join("F1", id=f"j{number}", ago=0)
        story.later(20)
    stays: SlotStays = story.world.stays.of(("L3", "P1", "F1"))
    assert len(stays.chain) == MOST_AT_HAND
    assert stays.kept is not None
    assert len(stays.kept[1]) == MOST_AT_HAND


def test_a_supply_with_nothing_left_is_forgotten_a_day_later():
    story = plant(supply="S1", kind="tray", quantity=100)
    story.run(10, {"F1": 10})
    story.load("F1", 100, supply="S2", kind="tray", ago=0)
    assert story.world.supplies["S1"].is_used_up
    restarted = World.from_states({k: v for k, v in story.world.take_changes().items() if v is not None})
    assert restarted.used_up == story.world.used_up
    story.later(USED_UP_KEPT / SECOND - 60)
    story.load("F2", 100, supply="S3", ago=0)
    assert "S1" in story.world.supplies
    story.later(120)
    story.load("F3", 100, supply="S4", ago=0)
    assert sorted(story.world.supplies) == ["S2", "S3", "S4"]
    assert story.world.take_changes()["supply/S1"] is None


def test_a_recipe_too_many_takes_the_place_of_the_oldest_that_nobody_needs():
    story = Story()
    story.recipe({"F1": 1}, "rules")
    story.say("L3/order", {"order": "o1", "recipe": "ordered", "state": "queued"})
    for name in ["ordered", *(f"r{n}" for n in range(MOST_RECIPES))]:
        story.say("L3/P1/recipe", {"recipe": name, "usage": {"F1": 1}, "active": False})
    known = story.station().recipes
    assert len(known) == MOST_RECIPES
    assert {"rules", "ordered", f"r{MOST_RECIPES - 1}"} <= known.keys()
    assert not {"r0", "r1"} & known.keys()
