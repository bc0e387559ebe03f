"""Floor lives on the line: where a supply's exposure goes with it, and when people are told that it ends."""

from __future__ import annotations

import msgspec
import pytest

from service.domain import floor, opened
from service.domain.events import JournalEntry, TimePassed
from service.domain.model import SECOND, Level
from service.domain.moisture import HOUR as HOURS
from service.domain.moisture import FloorRules
from service.domain.policy import MoistureRule, Policy
from service.domain.world import World
from service.wire.journal import Exporter, read_entry, read_line
from service.wire.native import Address, read_care
from tests.support.story import HOUR, MINUTE, START, Story

LEVELS = Policy(moisture=(MoistureRule(part="MCU-*", level="3"), MoistureRule(part="RF-*", level="5a")))
DAY = 24 * HOUR


def line(policy: Policy = LEVELS) -> Story:
    """T2 uses one part a panel, 180 an hour."""
    story = Story(policy)
    story.recipe({"T2": 1, "F1": 2})
    story.first("T2", "F1")
    return story


def left(story: Story, slot: str = "T2") -> float | None:
    life = opened.life_in(story.world, story.slot(slot), story.now)
    assert life is not None
    return None if life.left is None else life.left / HOURS


def ticked(story: Story, seconds: float) -> list[str]:
    """Time alone passes: only the moments that the rules asked for are looked at."""
    end = story.now + round(seconds * SECOND)
    told: list[str] = []
    while (moment := floor.next_moment(story.world)) is not None and moment <= end:
        told += story.words(story.pass_time((moment - story.now) / SECOND))
    story.now = end
    return told


def life_notices(story: Story) -> list[str]:
    """The levels of those that stand."""
    found = [each.notice for each in story.world.standing.values() if each.notice is not None]
    return [each.level for each in found if each.kind == "floor life"]


# --- the clock goes with the supply ----------------------------------------------------------------------


def test_a_supply_without_a_name_counts_from_its_opening_while_it_is_in_the_slot():
    story = line()
    story.load("T2", 160, kind="tray", part="MCU-48Q", opened_at=story.time(100 * HOUR))
    assert left(story) == pytest.approx(68)
    story.later(HOUR)
    assert left(story) == pytest.approx(67)
    story.load("T2", 160, kind="tray", part="MCU-48Q", opened_at=story.time())
    assert left(story) == pytest.approx(168)


def test_a_supply_with_a_name_keeps_it_wherever_it_goes():
    story = line()
    story.care("TR-1", "opened", ago=10 * HOUR, part="MCU-48Q")
    story.later(20 * HOUR)
    story.load("T2", 160, kind="tray", supply="TR-1")
    assert left(story) == pytest.approx(138)
    story.later(10 * HOUR)
    story.remove("T2")
    story.later(10 * HOUR)
    life = opened.life_of(story.world, "TR-1", story.now)
    assert life is not None
    assert (life.left or 0) / HOURS == pytest.approx(118)
    story.load("T9", supply="TR-1", kind="tray")
    assert left(story, "T9") == pytest.approx(118)


def test_what_is_loaded_elsewhere_takes_its_exposure_there():
    story = line()
    story.load("T2", 160, kind="tray", part="MCU-48Q", supply="TR-1", opened_at=story.time(50 * HOUR))
    story.load("T9", kind="tray", supply="TR-1")
    assert left(story, "T9") == pytest.approx(118)
    assert story.slot("T2").exposure is None


def test_a_stay_in_the_dry_stops_the_clock_and_after_a_short_exposure_gives_all_back():
    story = line()
    story.care("TR-1", "opened", part="MCU-48Q")
    story.later(10 * HOUR)
    story.care("TR-1", "dry", humidity=10)
    story.later(49 * HOUR)
    story.load("T2", 160, kind="tray", supply="TR-1")
    assert left(story) == pytest.approx(158)
    story.remove("T2")
    story.care("TR-1", "dry", humidity=10)
    story.later(51 * HOUR)
    story.load("T2", 160, kind="tray", supply="TR-1")
    assert left(story) == pytest.approx(168)


def test_where_nobody_says_the_humidity_it_is_that_of_the_cabinets_as_configured():
    moist = Policy(moisture=LEVELS.moisture, floor_life=FloorRules(cabinet_humidity=30))
    for policy, hours in ((LEVELS, 158), (moist, 138)):
        story = line(policy)
        story.care("TR-1", "opened", part="MCU-48Q")
        story.later(10 * HOUR)
        story.care("TR-1", "dry")
        story.later(20 * HOUR)
        story.load("T2", 160, kind="tray", supply="TR-1")
        assert left(story) == pytest.approx(hours)


def test_the_label_of_a_supply_says_its_level_and_its_hours():
    story = line(Policy())
    story.load("T2", 20, kind="tray", part="CAM-9", moisture_level="MSL 2A", opened_at=story.time())
    assert left(story) == pytest.approx(672)
    story.care("TR-6", "baked", moisture_level=6, floor_hours=6)
    story.load("T2", 20, kind="tray", supply="TR-6")
    assert left(story) == pytest.approx(6)


def test_a_tape_that_is_joined_counts_from_its_own_opening():
    story = line()
    story.load("F1", 400, kind="tape", part="RF-SHIELD-22", opened_at=story.time(23 * HOUR))
    assert life_notices(story) == [Level.EARLY]
    told = story.join("F1", 2000, opened_at=story.time(2 * HOUR))
    assert "closed refilled" in story.words(told)
    assert left(story, "F1") == pytest.approx(22)
    story.join("F1", 2000, supply="R-7", opened_at=story.time(HOUR))
    assert left(story, "F1") == pytest.approx(23)


def test_an_exchange_that_is_undone_leaves_each_supply_with_its_own():
    story = line()
    story.load("T2", 5000, kind="tray", part="MCU-48Q", supply="TR-1", opened_at=story.time(167 * HOUR))
    assert life_notices(story) == [Level.EARLY]
    said = {"part": "MCU-48Q", "supply": "TR-2", "opened_at": story.time(10 * HOUR)}
    story.load("T2", 160, id="x1", kind="tray", **said)
    assert left(story) == pytest.approx(158)
    assert life_notices(story) == []
    told = story.supply("undone", "T2", undoes="x1", by="Ines")
    assert left(story) == pytest.approx(1)
    assert "opened floor life" in story.words(told)
    out = opened.life_of(story.world, "TR-2", story.now)
    assert out is not None
    assert (out.left or 0) / HOURS == pytest.approx(158)


def test_where_nobody_speaks_of_moisture_nothing_is_kept():
    story = line()
    story.load("F1", 5000, kind="tape", part="R-10K-0402", supply="R-1")
    assert story.slot("F1").exposure is None
    assert opened.life_in(story.world, story.slot("F1"), story.now) is None
    assert story.slot("F1").age_at is None


@pytest.mark.parametrize("junk", ["wet", [], {"a": 1}, True, 0])
def test_a_level_that_cant_be_read_is_unknown_and_the_load_counts_all_the_same(junk):
    story = line(Policy())
    story.load("T2", 20, kind="tray", moisture_level=junk, floor_hours="six", opened_at=story.time())
    assert story.slot("T2").book == 20
    assert left(story) is None


# --- people are told ---------------------------------------------------------------------------------------


def nearly_over(parts: int, hours_left: float, **more: object) -> Story:
    """A tray of level 3 with so many parts, opened so long ago that so many hours are left; a panel takes
    20 s."""
    story = line()
    ago = (168 - hours_left) * HOUR
    story.load("T2", parts, kind="tray", part="MCU-48Q", opened_at=story.time(ago), **more)
    story.run(5, {"T2": 1})
    return story


def test_a_life_that_ends_before_the_parts_do_is_told_by_time_alone():
    story = nearly_over(5000, 5)
    assert ticked(story, 2.9 * HOUR) == []
    assert ticked(story, 0.2 * HOUR) == ["opened floor life"]
    (notice,) = [told.notice for told in story.told if told.notice.kind == "floor life"]
    assert (notice.level, notice.slot, notice.part, notice.boundary_only) == ("early", "T2", "MCU-48Q", True)
    assert "L3 P1 T2: the floor life of MCU-48Q ends at 11:00" in notice.message
    assert "dry cabinet" in notice.message
    assert "between two panels" in notice.message


def test_parts_that_run_out_before_give_no_notice():
    story = nearly_over(160, 5)
    for _ in range(12):
        assert "opened floor life" not in ticked(story, 400) + story.words(story.run(10, {"T2": 1}))
    assert life_notices(story) == []


def test_a_line_that_stands_leaves_parts_over():
    story = nearly_over(160, 5)
    assert ticked(story, 4 * HOUR) == [], "160 parts take 53 minutes"
    assert ticked(story, 0.5 * HOUR) == ["opened floor life"]


def test_what_has_ended_while_it_is_loaded_is_urgent():
    story = nearly_over(5000, 5)
    assert ticked(story, 6 * HOUR) == ["opened floor life", "changed floor life"]
    assert life_notices(story) == [Level.URGENT]
    assert ticked(story, 50 * HOUR) == [], "once"


def test_what_was_over_before_it_was_loaded_is_told_at_once():
    story = line()
    told = story.load("T2", 160, kind="tray", part="MCU-48Q", opened_at=story.time(30 * DAY))
    assert "opened floor life" in story.words(told)
    assert life_notices(story) == [Level.URGENT]


def test_in_a_slot_that_the_recipe_doesnt_use_it_can_wait():
    story = line()
    story.load("T7", 160, kind="tray", part="MCU-48Q", opened_at=story.time(30 * DAY))
    assert life_notices(story) == [Level.EARLY]


@pytest.mark.parametrize(("change", "because"), [("removed", "removed"), ("loaded", "refilled")])
def test_it_closes_when_the_supply_leaves(change, because):
    story = nearly_over(5000, 1)
    assert life_notices(story) == [Level.EARLY]
    if change == "removed":
        told = story.remove("T2", by="Ines")
    else:
        told = story.load("T2", 160, by="Ines", opened_at=story.time())
    closed = [each.notice for each in told or [] if each.notice.kind == "floor life"]
    assert [(each.state, each.closed_because, each.closed_by) for each in closed] == [
        ("closed", because, "Ines")
    ]
    assert life_notices(story) == []


@pytest.mark.parametrize("change", ["baked", "dry"])
def test_it_closes_when_the_supply_was_baked_or_lies_dry(change):
    story = nearly_over(5000, 1, supply="TR-1")
    assert life_notices(story) == [Level.EARLY]
    told = story.care("TR-1", change)
    assert story.words(told) == ["closed better"]


def test_who_closed_it_hears_of_it_again_only_when_it_got_worse():
    story = nearly_over(5000, 1)
    (notice,) = [each.notice for each in story.world.standing.values() if each.notice is not None]
    story.close(notice.id)
    assert ticked(story, 50 * MINUTE) == []
    assert ticked(story, 20 * MINUTE) == ["opened floor life"]
    assert life_notices(story) == [Level.URGENT]


def test_where_nobody_knows_the_opening_the_latest_end_is_told():
    story = line()
    story.load("T2", 9000, kind="tray", part="RF-SHIELD-22")
    assert left(story) is None
    assert ticked(story, 21 * HOUR) == []
    assert ticked(story, 2 * HOUR) == ["opened floor life"]
    (notice,) = [told.notice for told in story.told if told.notice.kind == "floor life"]
    assert "nobody said when RF-SHIELD-22 was opened" in notice.message
    assert ticked(story, 2 * HOUR) == ["changed floor life"]


def test_other_rules_count_from_now_on():
    story = nearly_over(5000, 100)
    assert life_notices(story) == []
    stricter = Policy(moisture=(MoistureRule(part="MCU-*", level="5a"),))
    assert "opened floor life" in story.words(story.set_policy(stricter))
    assert story.words(story.set_policy(Policy())) == ["closed better"]


def test_level_6_without_a_bake_is_told_at_once():
    story = line()
    story.load("T2", 20, kind="tray", part="CAM-9", moisture_level=6, floor_hours=6, opened_at=story.time())
    (notice,) = [told.notice for told in story.told if told.notice.kind == "floor life"]
    assert "must be baked before it is used" in notice.message
    assert notice.level == Level.URGENT


def test_moments_to_look_at_come_to_an_end():
    """A moment that stays due would be an entry in the journal at each tick."""
    story = nearly_over(5000, 5)
    for _ in range(40):
        moment = floor.next_moment(story.world)
        if moment is None:
            return
        assert moment > story.now
        story.pass_time((moment - story.now) / SECOND)
    pytest.fail("it must be looked at for ever")


# --- the same again from the store and from the journal ----------------------------------------------------


def test_a_world_from_the_store_tells_the_same_at_the_same_moments():
    story = nearly_over(5000, 5, supply="TR-1")
    story.care("TR-2", "opened", part="MCU-48Q")
    story.world.touch_all()
    states = {key: data for key, data in story.world.take_changes().items() if data is not None}
    again = World.from_states(states)
    assert again.aging == story.world.aging
    for world in (story.world, again):
        assert floor.next_moment(world) is not None
    seen = []
    for world in (story.world, again):
        told = []
        while (moment := floor.next_moment(world)) is not None:
            told += floor.apply(world, TimePassed(), line="", station=None, at=moment) or []
        world.touch_all()
        seen.append((told, world.take_changes()))
    assert seen[0] == seen[1]


def test_what_was_done_to_a_supply_is_read_back_from_the_journal():
    said = read_care("TR/1", b'{"change": "dry", "humidity": 5, "by": "Ines", "at": "2026-03-02T06:00:00Z"}')
    address = Address("care", "", None)
    entry = JournalEntry(START, address.kind, address.subject, msgspec.json.encode(said))
    line_of = Exporter("plant").entry(1, entry)
    back = read_line(line_of)
    assert isinstance(back, JournalEntry)
    assert read_entry(back) == (address, said)
