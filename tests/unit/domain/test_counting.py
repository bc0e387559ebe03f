"""What a count adds: sessions, repeats, holes, restarts, first contact; totals, deltas and losses."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.story import Story

# --- first contact --------------------------------------------------------------------------------------


def test_first_contact_is_a_baseline():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": (700, 12)}, session="a", seq=9, panels=35)
    assert story.slot("F1").book == 1000
    story.count({"F1": (720, 13)}, session="a", seq=10, panels=36)
    assert story.slot("F1").book == 1000 - 21
    assert story.station().progress == 1


def test_a_slot_first_seen_later_in_a_session_whose_beginning_we_did_not_hear_has_its_own_baseline():
    story = Story()
    story.load("F2", 500)
    story.count({"F1": 700}, session="a", seq=1)
    story.count({"F1": 720, "F2": 90}, session="a", seq=2)
    assert story.slot("F2").book == 500
    story.count({"F2": 94}, session="a", seq=3)
    assert story.slot("F2").book == 496


def test_without_a_session_first_contact_is_a_baseline_too():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 700}, panels=35)
    story.later(20).count({"F1": 720}, panels=36)
    assert story.slot("F1").book == 980


def test_slots_stations_and_lines_come_into_being_when_first_heard_of():
    story = Story()
    story.say("Linie-Ä/Σ1/count", {"slots": {"Ж7": {"placed": 3}}})
    assert story.world.stations["Linie-Ä", "Σ1"].slots["Ж7"].declared is None


# --- sessions -------------------------------------------------------------------------------------------


def test_a_session_that_replaced_a_known_one_counts_in_full():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": (700, 10)}, session="a", seq=9, panels=35)
    story.count({"F1": (40, 2)}, session="b", seq=3, panels=2)
    assert story.slot("F1").book == 1000 - 42
    assert story.station().progress == 2


def test_a_slot_first_seen_later_in_a_session_that_replaced_a_known_one_counts_in_full():
    story = Story()
    story.load("F2", 500)
    story.count({"F1": 700}, session="a", seq=9)
    story.count({"F1": 20}, session="b", seq=1)
    story.count({"F1": 40, "F2": 8}, session="b", seq=2)
    assert story.slot("F2").book == 492


def test_the_panels_first_said_later_in_a_session_that_replaced_a_known_one_count_in_full():
    story = Story()
    story.count({"F1": 700}, session="a", seq=9)
    story.count({}, session="b", seq=1)
    story.count({}, session="b", seq=2, panels=3)
    assert story.station().progress == 3


def test_panels_said_only_later_are_not_added_to_those_estimated_meanwhile():
    story = Story()
    story.recipe({"F1": 10})
    story.count({"F1": 700}, session="a", seq=9)
    story.count({"F1": 20}, session="b", seq=1)
    story.count({"F1": 30}, session="b", seq=2, panels=3)
    story.count({"F1": 40}, session="b", seq=3, panels=4)
    assert story.station().progress == 3


def test_a_replaced_session_never_comes_back():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 700}, session="a", seq=9)
    story.count({"F1": 20}, session="b", seq=1)
    assert story.count({"F1": 720}, session="a", seq=10) is None
    assert story.count({"F1": 9999}, session="a", seq=1, counts="delta") is None
    story.count({"F1": 30}, session="b", seq=2)
    assert story.slot("F1").book == 1000 - 30
    assert story.station().session == "b"
    story.count({"F1": 5}, session="c", seq=1)
    for session in ("a", "b"):
        assert story.count({"F1": 9999}, session=session, seq=99) is None


def test_after_an_outage_of_ours_the_difference_counts_in_full():
    story = Story()
    story.load("F1", 5000)
    story.count({"F1": 100}, session="a", seq=1, panels=10)
    story.later(6 * 3600).count({"F1": 2100}, session="a", seq=951, panels=210)
    assert story.slot("F1").book == 3000
    assert story.station().progress == 200


def test_a_source_that_begins_to_name_its_session_goes_on_from_its_baseline():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 700}, panels=35)
    story.later(20).count({"F1": 720}, panels=36, session="a")
    story.later(20).count({"F1": 740}, panels=37, session="a")
    assert story.slot("F1").book == 960


def test_a_source_that_begins_to_name_its_session_after_a_restart_counts_from_zero():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 700}, panels=35)
    story.later(20).count({"F1": 20}, panels=1, session="a")
    assert story.slot("F1").book == 980


# --- repeats and holes ----------------------------------------------------------------------------------


def test_a_sequence_number_already_counted_is_a_repeat_whatever_it_says():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 10}, session="a", seq=1)
    story.count({"F1": 20}, session="a", seq=2)
    assert story.count({"F1": 20}, session="a", seq=2) is None
    assert story.count({"F1": 900}, session="a", seq=2) is None
    assert story.count({"F1": 5}, session="a", seq=1) is None
    assert story.slot("F1").book == 990


def test_a_repeat_changes_nothing_at_all():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 10}, session="a", seq=1)
    story.world.take_changes()
    before = story.world._encoded("station/L3/P1")
    assert story.count({"F1": 10}, session="a", seq=1, ago=90 * 86_400) is None
    assert story.world._encoded("station/L3/P1") == before


def test_a_gap_with_totals_costs_nothing_and_filled_late_changes_nothing():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 10}, session="a", seq=1)
    story.count({"F1": 40}, session="a", seq=4)
    assert story.slot("F1").book == 970
    assert story.station().uncertain_since is None
    assert story.count({"F1": 20}, session="a", seq=2) == []
    assert story.count({"F1": 20}, session="a", seq=2) is None
    assert story.count({"F1": 30}, session="a", seq=3) == []
    assert story.slot("F1").book == 970


def test_a_gap_with_deltas_makes_the_remaining_less_certain_and_says_since_when():
    story = Story()
    story.recipe({"F1": 10})
    story.load("F1", 300, kind="tray")
    story.count({"F1": 10}, session="a", seq=1, counts="delta", panels=1)
    sure = story.case("F1")
    story.count({"F1": 10}, session="a", seq=5, counts="delta", panels=1)
    assert story.station().uncertain_since == story.now
    assert story.slot("F1").book == 280
    unsure = story.case("F1")
    assert sure is not None
    assert unsure is not None
    assert len(set(sure.question.left.tolist())) == 1
    assert min(unsure.question.left) < 280 - 25
    assert max(unsure.question.left) <= 280
    assert unsure.chance_within(26) > sure.chance_within(27)


def test_a_hole_filled_late_with_deltas_is_added_and_once_closed_all_is_certain_again():
    story = Story()
    story.load("F1", 300, kind="tray")
    story.count({"F1": 10}, session="a", seq=1, counts="delta", panels=1)
    story.count({"F1": 10}, session="a", seq=4, counts="delta", panels=1)
    story.count({"F1": 7}, session="a", seq=3, counts="delta", panels=1)
    assert story.station().uncertain_since is not None
    story.count({"F1": 13}, session="a", seq=2, counts="delta", panels=1)
    assert story.station().uncertain_since is None
    assert story.slot("F1").missing == 0
    assert story.slot("F1").book == 260
    assert story.station().progress == 4


def test_the_same_missing_message_fills_its_hole_once():
    story = Story()
    story.load("F1", 300)
    story.count({"F1": 10}, session="a", seq=1, counts="delta")
    story.count({"F1": 10}, session="a", seq=3, counts="delta")
    story.count({"F1": 10}, session="a", seq=2, counts="delta")
    assert story.count({"F1": 10}, session="a", seq=2, counts="delta") is None
    assert story.slot("F1").book == 270


def test_a_gap_with_deltas_troubles_the_slots_that_its_neighbour_does_not_name_as_well():
    """The missing message is taken to be like the one after it; a slot that isn't named, to use the usual."""
    story = Story()
    story.recipe({"F1": 10, "F2": 3})
    story.load("F2", 300, kind="tray")
    story.count({"F1": 10, "F2": 3}, session="a", seq=1, counts="delta", panels=1)
    story.count({"F1": 10}, session="a", seq=3, counts="delta", panels=1)
    assert story.slot("F2").missing == 3


def test_loading_anew_ends_the_uncertainty_of_missing_deltas():
    story = Story()
    story.load("F1", 300)
    story.count({"F1": 10}, session="a", seq=1, counts="delta")
    story.count({"F1": 10}, session="a", seq=5, counts="delta")
    story.load("F1", 300)
    assert story.station().uncertain_since is None
    assert story.slot("F1").missing == 0


def test_a_new_session_closes_no_hole_of_the_old_one():
    story = Story()
    story.load("F1", 300)
    story.count({"F1": 10}, session="a", seq=1, counts="delta")
    story.count({"F1": 10}, session="a", seq=3, counts="delta")
    since = story.station().uncertain_since
    story.count({"F1": 10}, session="b", seq=1, counts="delta")
    story.count({"F1": 10}, session="b", seq=3, counts="delta")
    story.count({"F1": 10}, session="b", seq=2, counts="delta")
    assert story.station().uncertain_since == since
    assert story.slot("F1").missing > 0


def begun_afresh(*, first: int, counts: str = "delta", session: str | None = "b") -> Story:
    """A station that restarted; ``first`` is the first number heard since."""
    story = Story()
    story.load("F1", 300)
    story.count({"F1": 10}, session=session and "a", seq=40, counts=counts)
    story.later(20).count({"F1": 10}, session=session, seq=first, counts=counts)
    return story


@pytest.mark.parametrize("session", ["b", None])
def test_the_first_differences_of_a_session_after_a_known_one_are_missed_and_come_late(session: str | None):
    """A broker that dies may lose those as well as any others."""
    story = begun_afresh(first=3, session=session)
    assert story.station().uncertain_since == story.now
    assert story.station().holes == [(1, 2)]
    assert story.slot("F1").missing == 20
    story.count({"F1": 7}, session=session, seq=1, counts="delta", ago=20)
    story.count({"F1": 13}, session=session, seq=2, counts="delta", ago=15)
    assert story.station().uncertain_since is None
    assert story.slot("F1").book == 260


@pytest.mark.parametrize(
    ("first", "counts"), [(0, "delta"), (1, "delta"), (41, "delta"), (1002, "delta"), (3, "total")]
)
def test_nothing_is_missing_where_a_session_begins_at_0_or_1_goes_on_or_has_numbers_of_its_own(first, counts):
    """Nor with totals, which say it all."""
    story = begun_afresh(first=first, counts=counts)
    assert story.station().uncertain_since is None
    assert story.station().holes == []


def test_a_number_0_that_comes_after_a_sessions_first_is_counted_though_nobody_missed_it():
    story = begun_afresh(first=3)
    story.count({"F1": 5}, session="b", seq=0, counts="delta", ago=20)
    assert story.slot("F1").book == 275
    assert story.station().holes == [(1, 2)]


def test_many_gaps_are_all_noticed():
    story = Story()
    story.load("F1", 100_000)
    for seq in range(1, 301, 2):
        story.count({"F1": 1}, session="a", seq=seq, counts="delta")
    assert story.slot("F1").missing == 149


def test_a_hole_that_was_forgotten_among_many_keeps_its_doubt():
    story = Story()
    story.load("F1", 100_000)
    for seq in range(1, 202, 2):
        story.count({"F1": 1}, session="a", seq=seq, counts="delta")
    for seq in range(200, 1, -2):
        story.count({"F1": 1}, session="a", seq=seq, counts="delta")
    assert story.station().holes == []
    assert story.slot("F1").missing == 36
    assert story.station().uncertain_since is not None


def test_messages_that_change_places_at_the_beginning_of_a_session_are_both_counted():
    story = Story()
    story.load("F1", 300)
    story.count({"F1": 10}, session="a", seq=7, counts="delta")
    story.count({"F1": 2}, session="b", seq=2, counts="delta")
    story.count({"F1": 1}, session="b", seq=1, counts="delta")
    assert story.count({"F1": 1}, session="b", seq=1, counts="delta") is None
    assert story.slot("F1").book == 300 - 13
    assert story.station().uncertain_since is None


def test_the_last_count_that_is_told_never_goes_back():
    story = Story()
    story.count({"F1": 10}, session="a", seq=1)
    story.count({"F1": 40}, session="a", seq=4)
    story.count({"F1": 20}, session="a", seq=2)
    assert (story.station().counted_session, story.station().counted_seq) == ("a", 4)


# --- without a session ----------------------------------------------------------------------------------


def test_without_a_session_a_message_not_newer_is_a_repeat():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 100}, panels=10)
    story.later(20).count({"F1": 120}, panels=12)
    assert story.count({"F1": 110}, panels=11, ago=10) is None
    at = story.time()
    story.count({"F1": 125}, at=at)
    assert story.count({"F1": 130}, at=at) is None
    assert story.slot("F1").book == 1000 - 25


@pytest.mark.parametrize(
    "fallen",
    [
        {"seq": 3, "panels": 13, "slots": {"F1": 130, "F2": 130}},
        {"seq": 12, "panels": 2, "slots": {"F1": 130, "F2": 130}},
        {"seq": 12, "panels": 13, "slots": {"F1": 8, "F2": 6}},
    ],
    ids=["seq", "panels", "all totals"],
)
def test_without_a_session_a_newer_message_in_which_one_falls_restarts_the_station(fallen):
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 100, "F2": 100}, seq=10, panels=10)
    story.later(20).count({"F1": 120, "F2": 110}, seq=11, panels=12)
    slots = fallen.pop("slots")
    story.later(20).count(slots, **fallen)
    assert story.slot("F1").book == 1000 - 20 - slots["F1"]
    assert story.station().progress == 2 + fallen["panels"]


def test_without_a_session_one_falling_slot_alone_only_moves_its_baseline_and_is_flagged():
    story = Story()
    story.load("F1", 1000)
    story.load("F2", 1000)
    story.count({"F1": 100, "F2": 100}, panels=10)
    story.later(20).count({"F1": 5, "F2": 110}, panels=11)
    assert (story.slot("F1").book, story.slot("F2").book) == (1000, 990)
    assert (story.slot("F1").fell, story.slot("F2").fell) == (1, 0)
    story.later(20).count({"F1": 9, "F2": 120}, panels=12)
    assert (story.slot("F1").book, story.slot("F2").book) == (996, 980)


def test_a_message_that_names_one_slot_of_several_whose_total_fell_restarts_nothing():
    story = Story()
    story.load("F2", 1000)
    story.count({"F1": 100, "F2": 100})
    story.later(20).count({"F1": 5})
    story.later(20).count({"F2": 110})
    assert story.slot("F2").book == 990


def test_the_only_slot_of_a_station_that_falls_is_all_totals():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 100})
    story.later(20).count({"F1": 6})
    assert story.slot("F1").book == 994


def test_a_restart_with_the_same_sequence_number_is_a_restart_where_its_time_is_newer():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 0}, seq=0, panels=0)
    story.later(20).count({"F1": 100}, seq=1, panels=10)
    story.later(20).count({"F1": 8}, seq=1, panels=1)
    assert story.slot("F1").book == 1000 - 108


def test_without_session_and_time_a_higher_sequence_number_is_newer_however_far_the_panels_fell():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 200, "F2": 9}, ago=None, seq=11, panels=20)
    story.count({"F1": 150, "F2": 7}, ago=None, seq=12, panels=15)
    assert story.slot("F1").book == 850


def test_without_a_session_a_newer_message_with_a_number_from_a_hole_is_a_restart():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 100}, seq=10)
    story.later(20).count({"F1": 200}, seq=20)
    story.later(20).count({"F1": 8}, seq=12)
    assert story.slot("F1").book == 1000 - 108


def test_without_session_and_time_what_comes_again_after_a_lost_connection_is_not_taken_for_a_restart():
    """The page is silent: such a message is nearly as far as we are, a restart is near zero."""
    story = Story()
    story.load("F1", 10_000)
    for panel in range(10, 21):
        story.count({"F1": 10 * panel, "F2": 10 * panel}, ago=None, seq=panel, panels=panel)
    for panel in range(15, 21):
        assert story.count({"F1": 10 * panel, "F2": 10 * panel}, ago=None, seq=panel, panels=panel) is None
    assert story.slot("F1").book == 10_000 - 100
    story.count({"F1": 10, "F2": 10}, ago=None, seq=1, panels=1)
    assert story.slot("F1").book == 10_000 - 110


def test_without_anything_that_orders_them_what_comes_again_is_not_taken_for_a_restart():
    story = Story()
    story.load("F1", 10_000)
    for panel in (10, 11, 12, 11, 12, 13):
        story.count({"F1": 10 * panel, "F2": 10 * panel}, ago=None, panels=panel)
    assert story.slot("F1").book == 10_000 - 30
    story.count({"F1": 10, "F2": 10}, ago=None, panels=1)
    assert story.slot("F1").book == 10_000 - 40


def test_within_a_named_session_a_message_older_by_its_own_time_is_a_repeat():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 100}, session="a")
    story.later(20).count({"F1": 120}, session="a")
    assert story.count({"F1": 110}, session="a", ago=10) is None
    story.later(20).count({"F1": 130}, session="a")
    assert story.slot("F1").book == 970


def test_within_a_named_session_nothing_falls_back_where_nothing_says_what_is_newer():
    story = Story()
    story.load("F1", 1000)
    for total in (100, 110, 120, 105, 110, 130):
        story.count({"F1": total, "F2": 7 * total}, ago=None, session="a", panels=total)
        story.count({"F1": total}, ago=None, session="a")
    assert story.slot("F1").book == 970
    assert story.station().progress == 30


# --- dry runs, losses, deltas ---------------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["dry", "setup"])
def test_a_run_without_parts_only_moves_the_baselines(mode):
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": (100, 1)}, session="a", seq=1, panels=10)
    story.count({"F1": (160, 4)}, session="a", seq=2, panels=16, mode=mode)
    assert story.slot("F1").book == 1000
    assert story.station().progress == 0
    story.count({"F1": (170, 4)}, session="a", seq=3, panels=17)
    assert story.slot("F1").book == 990
    assert story.station().progress == 1


@pytest.mark.parametrize("mode", ["dry", "setup"])
def test_a_run_without_parts_consumes_nothing_in_deltas_either(mode):
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 100}, session="a", seq=1, panels=10, counts="delta", mode=mode)
    assert story.slot("F1").book == 1000
    assert story.station().progress == 0


def test_a_session_that_begins_with_a_run_without_parts_goes_on_from_there():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 700}, session="a", seq=1)
    story.count({"F1": 30}, session="b", seq=1, mode="setup")
    story.count({"F1": 50}, session="b", seq=2)
    assert story.slot("F1").book == 980


def test_the_lane_is_accepted_whatever_it_is_and_panels_count_over_all_lanes():
    story = Story()
    for seq, lane in enumerate((1, "left", {"no": 2}, None), 1):
        story.count({"F1": seq}, session="a", seq=seq, panels=seq, lane=lane)
    assert story.station().progress == 3


def test_lost_absent_is_unknown_not_zero():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 0}, session="a", seq=1)
    story.count({"F1": 100}, session="a", seq=2)
    slot = story.slot("F1")
    assert slot.blind == 100
    assert slot.placed_evidence == 0


def test_lost_zero_is_a_word_about_losses():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": (0, 0)}, session="a", seq=1)
    story.count({"F1": (100, 0)}, session="a", seq=2)
    slot = story.slot("F1")
    assert slot.blind == 0
    assert slot.placed_evidence > 0


def test_the_first_total_of_losses_is_a_baseline_of_its_own_and_says_nothing_of_the_placements_so_far():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": 0}, session="a", seq=1)
    story.count({"F1": (100, 40)}, session="a", seq=2)
    slot = story.slot("F1")
    assert slot.book == 900
    assert slot.blind == 100
    assert slot.placed_evidence == 0
    story.count({"F1": (200, 41)}, session="a", seq=3)
    assert slot.book == 799


def test_losses_told_now_and_then_belong_to_all_placements_since_they_were_last_told():
    story = Story()
    story.load("F1", 10_000)
    story.count({"F1": (0, 0)}, session="a", seq=1)
    for seq in range(2, 11):
        story.count({"F1": 20 * (seq - 1)}, session="a", seq=seq)
    story.count({"F1": (200, 2)}, session="a", seq=11)
    slot = story.slot("F1")
    assert slot.book == 10_000 - 202
    assert slot.blind == 0
    assert slot.lost_evidence / slot.placed_evidence == pytest.approx(2 / 200)


def test_losses_of_a_new_session_say_nothing_of_the_placements_of_the_one_before():
    story = Story()
    story.load("F1", 10_000)
    story.count({"F1": 0}, session="a", seq=1)
    story.count({"F1": 100}, session="a", seq=2)
    story.count({"F1": (50, 1)}, session="b", seq=1)
    slot = story.slot("F1")
    assert slot.blind == 100
    assert slot.lost_evidence / slot.placed_evidence == pytest.approx(1 / 50)


def test_deltas_count_from_the_first_message_and_their_panels_are_deltas_too():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": (20, 1)}, session="a", seq=1, panels=2, counts="delta")
    story.count({"F1": (10, 0)}, session="a", seq=2, panels=1, counts="delta")
    assert story.slot("F1").book == 969
    assert story.station().progress == 3


def test_totals_go_on_from_deltas_of_the_same_session():
    story = Story()
    story.load("F1", 1000)
    story.count({"F1": (100, 1)}, session="a", seq=1, panels=10)
    story.count({"F1": (20, 1)}, session="a", seq=2, panels=2, counts="delta")
    story.count({"F1": (125, 2)}, session="a", seq=3, panels=13)
    assert story.slot("F1").book == 975 - 1
    assert story.station().progress == 3


# --- nothing is ever consumed negatively ----------------------------------------------------------------

_message = st.fixed_dictionaries(
    {},
    optional={
        "session": st.sampled_from(["a", "b"]),
        "seq": st.integers(0, 12),
        "panels": st.integers(0, 30),
        "counts": st.sampled_from(["total", "delta"]),
        "mode": st.sampled_from(["production", "dry"]),
        "ago": st.one_of(st.none(), st.integers(-400, 700_000)),
        "F1": st.tuples(st.integers(0, 500), st.one_of(st.none(), st.integers(0, 50))),
        "F2": st.tuples(st.integers(0, 500), st.one_of(st.none(), st.integers(0, 50))),
    },
)


@given(st.lists(_message, max_size=30))
def test_whatever_comes_in_whatever_order_nothing_is_consumed_negatively(messages):
    story = Story()
    story.load("F1", 10**6)
    for message in messages:
        slots = {name: message.pop(name) for name in ("F1", "F2") if name in message}
        before = (story.slot("F1").counted, story.station().progress)
        story.later(1).count(slots, **({"seq": 1} | message))
        now = (story.slot("F1").counted, story.station().progress)
        assert now[0] >= before[0] >= 0
        assert now[1] >= before[1]
        assert all(low <= high for low, high in story.station().holes)
        assert story.slot("F1").blind >= 0


@st.composite
def disturbed(draw):
    """(steps, order): what was placed and lost in each message, and the order in which messages arrive, some
    twice, some late."""
    steps = draw(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 3)), min_size=2, max_size=15))
    order = draw(st.permutations(range(len(steps))))
    twice = draw(st.lists(st.sampled_from(range(len(steps))), max_size=8))
    spread = draw(st.integers(0, len(steps)))
    arrivals = sorted(order, key=lambda number: number + draw(st.integers(0, spread)))
    for number in twice:
        arrivals.insert(draw(st.integers(0, len(arrivals))), number)
    return steps, arrivals


@given(disturbed(), st.sampled_from(["seq", "at", "both"]))
def test_with_totals_of_one_session_exactly_the_last_total_minus_the_first_is_consumed(disturbed, said):
    steps, arrivals = disturbed
    totals, placed, lost = [], 0, 0
    for each, gone in steps:
        placed, lost = placed + each, lost + gone
        totals.append((placed, lost))
    story = Story()
    story.load("F1", 10**6)
    story.later(3600)
    for number in arrivals:
        more = {"seq": number} if said != "at" else {}
        ago = None if said == "seq" else 1000.0 - number
        story.count({"F1": totals[number]}, session="a", ago=ago, **more)
    first, last = totals[arrivals[0]], max(totals[number] for number in arrivals)
    assert story.slot("F1").counted == sum(last) - sum(first)


@given(disturbed())
def test_with_deltas_of_one_session_every_message_is_consumed_exactly_once(disturbed):
    steps, arrivals = disturbed
    story = Story()
    story.load("F1", 10**6)
    for number in arrivals:
        story.count({"F1": steps[number]}, session="a", seq=number, counts="delta", panels=1)
    assert story.slot("F1").counted == sum(map(sum, steps))
    assert story.station().progress == len(steps)
    assert story.station().uncertain_since is None
    assert story.slot("F1").missing == 0


@given(disturbed(), disturbed())
def test_sessions_one_after_the_other_add_up(first, second):
    story = Story()
    story.load("F1", 10**6)
    story.count({"F1": 0}, session="start", seq=0)
    consumed = 0
    for session, (steps, arrivals) in (("a", first), ("b", second)):
        totals = [sum(each for each, _ in steps[: number + 1]) for number in range(len(steps))]
        for number in arrivals:
            story.count({"F1": totals[number]}, session=session, seq=number)
        consumed += max(totals[number] for number in arrivals)
    assert story.slot("F1").counted == consumed
