"""The life of a notice: what closes and reopens it, and what people may do with it."""

from __future__ import annotations

import msgspec
import pytest

from service.domain.events import PersonAct
from service.domain.floor import next_moment
from service.domain.life import Taken
from service.domain.model import SECOND, to_rfc3339
from service.domain.policy import Policy, SlotRule
from tests.support.story import HOUR, MINUTE, Story


def due(left: int = 8, *, policy: Policy | None = None, slot: str = "T2") -> Story:
    """T2 uses one part a panel and an early notice is open."""
    story = Story(policy)
    story.recipe({slot: 1}, "A", parts={slot: "MCU-48Q"})
    story.first(slot)
    story.load(slot, left, kind="tray")
    return story


def use(story: Story, panels: int) -> list[str]:
    return story.words(story.run(panels, {"T2": 1}))


# --- closing --------------------------------------------------------------------------------------------


def test_a_refill_closes_the_notice_of_its_slot_and_says_who():
    story = due()
    told = story.load("T2", 60, by="badge 31") or []
    assert story.words(told) == ["closed refilled"]
    assert told[0].notice.closed_by == "badge 31"
    assert told[0].notice.closed_at == to_rfc3339(story.now)
    assert story.live() == []


def test_a_joined_tape_is_a_refill():
    story = due()
    assert story.words(story.join("T2", 60)) == ["closed refilled"]


def test_a_removal_closes_the_notice():
    story = due()
    assert story.words(story.remove("T2")) == ["closed removed"]


def test_a_count_that_shows_enough_closes_as_better():
    story = due()
    assert story.words(story.counted("T2", 30)) == ["closed better"]


def test_a_refill_of_too_little_closes_and_opens_another():
    story = due()
    before = story.notice("T2").id
    assert story.words(story.load("T2", 5)) == ["closed refilled", "opened early"]
    assert story.notice("T2").id != before


def test_a_refill_closes_what_was_taken_and_what_was_quiet():
    for act in ("take", "quiet"):
        story = due()
        getattr(story, act)(story.notice("T2").id, **({"panels": 5} if act == "quiet" else {}))
        assert story.words(story.load("T2", 60)) == ["closed refilled"]


def test_the_tower_ending_its_out_signal_alone_closes_nothing():
    story = due()
    story.out("T2")
    assert story.green() == []
    assert story.notice("T2").level == "empty"


# --- the out signal -------------------------------------------------------------------------------------


def test_the_out_signal_said_again_while_it_goes_on_does_not_empty_the_refilled_slot():
    story = due()
    story.out("T2")
    story.load("T2", 60)
    assert story.out("T2") == []
    assert story.live() == []


def test_a_new_out_signal_after_the_refill_is_a_new_emptying():
    story = due()
    story.out("T2")
    first = story.notice("T2").id
    story.load("T2", 60)
    story.green()
    assert story.emptyings(story.out("T2")) == ["opened empty"]
    assert story.notice("T2").id != first


def test_another_slot_that_joins_a_lasting_out_signal_is_out_too():
    story = due()
    story.out("T2")
    assert story.words(story.out("T2", "T5")) == ["opened empty"]
    assert story.live() == ["T2", "T5"]


def test_an_out_signal_of_before_the_loading_that_comes_late_is_not_about_this_loading():
    story = due()
    story.later(60)
    story.green(ago=0)
    story.load("T2", 60)
    story.later(60)
    assert story.out("T2", ago=90) == []
    assert story.live() == []


def test_an_out_signal_that_names_no_slot_means_the_one_that_may_be_at_its_end():
    story = Story()
    story.recipe({"T1": 1, "T2": 1, "T3": 1})
    story.first("T1", "T2", "T3")
    for slot, left in (("T1", 400), ("T2", 1), ("T3", 9)):
        story.load(slot, left, kind="tray")
    story.out()
    assert [story.notice(slot).level for slot in ("T2", "T3")] == ["empty", "early"]


def test_an_out_signal_that_names_no_slot_empties_none_that_is_far_from_its_end():
    story = Story()
    story.recipe({"T1": 1})
    story.load("T1", 400, kind="tray")
    assert story.out() == []


# --- opening again --------------------------------------------------------------------------------------


def test_after_better_it_opens_again_under_the_same_id_and_forgets_its_end():
    story = due()
    notice = story.notice("T2").id
    story.take(notice)
    story.counted("T2", 30)
    assert use(story, 21) == ["opened early"]
    again = story.notice("T2")
    assert again.id == notice
    assert (again.state, again.taken_by) == ("open", None)
    assert (again.closed_at, again.closed_by, again.closed_because, again.reason) == (None, None, None, None)


def test_after_a_person_closed_it_it_opens_again_under_the_same_id_only_when_worse():
    story = due()
    notice = story.notice("T2").id
    story.close(notice, "Ines", "seen to")
    closed = story.notice("T2")
    assert (closed.state, closed.closed_because, closed.closed_by, closed.reason) == (
        "closed",
        "person",
        "Ines",
        "seen to",
    )
    assert use(story, 4) == []
    assert use(story, 1) == ["opened urgent"]
    again = story.notice("T2")
    assert (again.id, again.reason, again.closed_by) == (notice, None, None)
    story.close(notice)
    assert use(story, 2) == []
    assert story.words(story.out("T2")) == ["opened empty"]


def test_after_a_person_closed_it_a_refill_is_no_news_and_the_next_emptying_opens():
    story = due()
    story.close(story.notice("T2").id)
    assert story.load("T2", 12) == []
    assert use(story, 2) == ["opened early"]


def test_after_the_order_was_done_it_opens_again_under_the_same_id():
    story = due()
    notice = story.notice("T2").id
    story.order("o0", "finished")
    assert use(story, 1) == ["opened early"]
    assert story.notice("T2").id == notice


# --- taking ---------------------------------------------------------------------------------------------


def test_taken_says_by_whom_and_is_told():
    story = due()
    told = story.take(story.notice("T2").id, "Ines") or []
    assert story.words(told) == ["changed early"]
    assert (told[0].notice.state, told[0].notice.taken_by) == ("taken", "Ines")


def test_taken_twice_by_the_same_person_is_unchanged():
    story = due()
    notice = story.notice("T2").id
    story.take(notice, "Ines")
    before = story.notice("T2")
    assert story.take(notice, "Ines") == []
    assert story.notice("T2") == before


def test_taken_by_another_is_refused_and_changes_nothing():
    story = due()
    notice = story.notice("T2").id
    story.take(notice, "Ines")
    before = story.notice("T2")
    with pytest.raises(Taken):
        story.take(notice, "Bram")
    story.quiet(notice, "Ines", panels=3)
    with pytest.raises(Taken):
        story.take(notice, "Bram")
    assert story.notice("T2").taken_by == before.taken_by


@pytest.mark.parametrize("act", ["take", "close", "quiet"])
def test_nothing_can_be_done_with_a_notice_that_is_closed(act):
    story = due()
    notice = story.notice("T2").id
    story.close(notice)
    with pytest.raises(Taken):
        getattr(story, act)(notice)


@pytest.mark.parametrize("act", ["take", "close", "quiet"])
def test_a_notice_that_never_was_or_ended_with_its_loading_is_unknown(act):
    story = due()
    notice = story.notice("T2").id
    story.load("T2", 60)
    for unknown in (notice, "n-none"):
        with pytest.raises(KeyError):
            getattr(story, act)(unknown)


def test_an_act_on_an_unknown_notice_makes_no_station():
    story = due()
    before = dict(story.world.stations)
    with pytest.raises(KeyError):
        story.take("n-none")
    assert story.world.stations == before


def test_what_was_taken_stays_taken_when_it_gets_worse():
    story = due()
    story.take(story.notice("T2").id, "Ines")
    assert use(story, 6) == ["changed urgent"]
    assert (story.notice("T2").state, story.notice("T2").taken_by) == ("taken", "Ines")


# --- quiet ----------------------------------------------------------------------------------------------


def test_quiet_for_some_panels_ends_by_itself_after_them():
    story = due(10)
    story.quiet(story.notice("T2").id, panels=3)
    assert (story.notice("T2").state, story.notice("T2").quiet_panels) == ("quiet", 3)
    assert use(story, 2) == []
    assert use(story, 1) == ["changed early"]
    assert (story.notice("T2").state, story.notice("T2").quiet_panels) == ("open", None)


def test_quiet_until_a_moment_ends_by_itself_though_nothing_moves():
    story = due()
    story.quiet(story.notice("T2").id, seconds=600)
    until = story.now + 600 * SECOND
    assert story.notice("T2").quiet_until == to_rfc3339(until - 1)
    assert next_moment(story.world) == until - 1
    assert story.pass_time(599) == []
    assert story.words(story.pass_time(1)) == ["changed early"]
    assert story.notice("T2").state == "open"
    assert next_moment(story.world) is None


def test_quiet_until_a_moment_ends_with_the_next_count_after_it_too():
    story = due()
    story.quiet(story.notice("T2").id, seconds=30)
    assert use(story, 1) == []
    assert use(story, 1) == ["changed early"]


def test_quiet_never_hides_a_worse_level():
    story = due()
    story.quiet(story.notice("T2").id, seconds=HOUR)
    assert use(story, 6) == ["changed urgent"]
    assert (story.notice("T2").state, story.notice("T2").quiet_until) == ("open", None)
    story.quiet(story.notice("T2").id, panels=100)
    assert story.emptyings(story.out("T2")) == ["changed empty"]
    assert story.pass_time(2 * HOUR) == []


def test_what_was_taken_is_taken_again_after_a_quiet_spell():
    story = due()
    story.take(story.notice("T2").id, "Ines")
    story.quiet(story.notice("T2").id, seconds=MINUTE)
    story.pass_time(2 * MINUTE)
    assert (story.notice("T2").state, story.notice("T2").taken_by) == ("taken", "Ines")


def test_taking_ends_a_quiet_spell():
    story = due()
    story.quiet(story.notice("T2").id, seconds=MINUTE)
    story.take(story.notice("T2").id, "Ines")
    assert (story.notice("T2").state, story.notice("T2").quiet_until) == ("taken", None)
    assert story.pass_time(HOUR) == []


def test_a_closed_notice_is_not_quiet_any_more():
    story = due()
    story.quiet(story.notice("T2").id, seconds=MINUTE, panels=4)
    story.load("T2", 60)
    closed = story.told[-1].notice
    assert (closed.state, closed.quiet_until, closed.quiet_panels) == ("closed", None, None)
    assert next_moment(story.world) is None


def test_quiet_spells_that_end_together_are_told_in_the_order_of_the_floor():
    story = Story()
    for station in ("P2", "P1"):
        story.recipe({"T2": 1, "T1": 1}, station=station)
        for slot in ("T2", "T1"):
            story.load(slot, 5, kind="tray", station=station)
            story.quiet(story.notice(slot, station=station).id, seconds=MINUTE)
    told = story.pass_time(HOUR) or []
    places = [(each.notice.station, each.notice.slot) for each in told]
    assert places == [("P1", "T1"), ("P1", "T2"), ("P2", "T1"), ("P2", "T2")]


# --- ids, versions, words -------------------------------------------------------------------------------


def test_the_id_derives_from_the_loading_so_a_replay_finds_the_same():
    def tell() -> list[str]:
        story = due()
        story.load("T2", 5, id="load-2")
        use(story, 3)
        story.load("T2", 5, at=story.time())
        return [each.notice.id for each in story.told]

    first = tell()
    assert first == tell()
    assert len(set(first)) == 3


def test_ids_of_different_slots_stations_lines_and_loadings_differ():
    ids = set()
    for line, station, slot in (
        ("L1", "P1", "T1"),
        ("L1", "P1", "T2"),
        ("L1", "P2", "T1"),
        ("L2", "P1", "T1"),
    ):
        story = Story(line=line, station=station)
        story.recipe({slot: 1})
        for loading in ("x", "y"):
            story.load(slot, 5, id=loading)
            ids.add(story.notice(slot).id)
    assert len(ids) == 8


def test_numbers_that_move_are_no_change_and_each_told_change_is_a_version():
    story = due()
    assert use(story, 4) == []
    assert story.notice("T2").version == 1
    story.take(story.notice("T2").id)
    story.quiet(story.notice("T2").id, panels=50)
    assert story.notice("T2").version == 3
    assert [each.notice.version for each in story.told] == [1, 2, 3]


def test_every_later_moment_keeps_when_it_was_opened():
    story = due()
    opened = story.notice("T2").opened_at
    use(story, 6)
    assert story.notice("T2").opened_at == opened < story.notice("T2").changed_at


def test_the_notice_says_what_to_bring_where_and_when_it_may_be_exchanged():
    story = due()
    notice = story.notice("T2")
    assert (notice.line, notice.station, notice.slot, notice.part) == ("L3", "P1", "T2", "MCU-48Q")
    assert (notice.kind, notice.supply_kind, notice.boundary_only) == ("supply", "tray", True)
    assert "L3 P1 T2 lasts" in notice.message
    assert "one tray of MCU-48Q" in notice.message
    assert "end of the panel" in notice.message


def test_the_part_is_what_is_loaded_or_else_what_the_recipe_wants():
    story = due()
    assert story.notice("T2").part == "MCU-48Q", "nobody said what is loaded"
    story.load("T2", 5, part="MCU-48R")
    assert story.notice("T2").part == "MCU-48R"


def test_the_configuration_may_allow_a_tray_to_be_exchanged_while_it_runs():
    story = due(policy=Policy(slots=[SlotRule(slot="T2", boundary_only=False)]))
    assert not story.notice("T2").boundary_only
    assert "while it runs" in story.notice("T2").message


def test_clock_time_is_said_in_the_time_zone_of_the_site():
    story = Story(Policy(timezone="Asia/Kolkata"))
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 30, kind="tray")
    story.run(21, {"T2": 1})
    assert "about 11:40" in story.notice("T2").message, "06:10 UTC, half past five hours later"
    empty_at = story.notice("T2").empty_at
    assert empty_at is not None
    assert empty_at.p50.startswith("2026-03-02T06:10:")


def test_without_a_takt_no_clock_time_is_said():
    notice = due().notice("T2")
    assert notice.empty_at is None
    assert "about" not in notice.message


def test_a_notice_and_an_act_survive_the_way_through_json():
    notice = due().notice("T2")
    assert msgspec.json.decode(msgspec.json.encode(notice), type=type(notice)) == notice
    act = PersonAct(notice="n1", action="quiet", by="Ines", until=1)
    assert msgspec.json.decode(msgspec.json.encode(act), type=PersonAct) == act
