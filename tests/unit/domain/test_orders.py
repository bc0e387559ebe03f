"""Orders: what they limit, what extends a slot's demand, and when nobody needs a warning."""

from __future__ import annotations

from service.domain.sight import demand
from tests.support.story import HOUR, Story


def needed(story: Story, slot: str = "T2", station: str | None = None) -> int | None:
    case = story.case(slot, station=station)
    assert case is not None
    return case.needed


def running(panels: int | None = 20, *, quantity: int = 60, **more) -> Story:
    """T2 uses one part a panel; order o1 begins in our hearing."""
    story = Story()
    story.recipe({"T2": 1}, "A", parts={"T2": "MCU"})
    story.first("T2")
    story.load("T2", quantity, kind="tray", part="MCU")
    story.order("o1", "running", recipe="A", panels=panels, **more)
    return story


# --- an order limits ------------------------------------------------------------------------------------


def test_a_slot_that_outlasts_the_order_gives_no_notice():
    story = running(20, quantity=25)
    story.run(20, {"T2": 1})
    assert story.told == []


def test_a_slot_that_the_order_empties_gives_a_notice():
    story = running(40, quantity=25)
    story.run(20, {"T2": 1})
    assert story.words() == ["opened early"]


def test_a_slot_that_lasts_exactly_to_the_end_of_the_order_gives_no_notice():
    story = running(25, quantity=25)
    story.run(25, {"T2": 1})
    assert story.told == []


def test_a_slot_that_is_one_panel_short_of_the_order_gives_a_notice():
    story = running(25, quantity=24)
    story.run(20, {"T2": 1})
    assert story.words() == ["opened early"]


def test_progress_is_each_station_own():
    story = Story()
    for station in ("P1", "P2"):
        story.recipe({"T2": 1}, "A", station=station)
        story.first("T2", station=station)
        story.load("T2", 60, station=station)
    story.order("o1", "running", recipe="A", panels=50)
    story.run(10, {"T2": 1}, station="P1")
    story.run(4, {"T2": 1}, station="P2")
    assert (needed(story, station="P1"), needed(story, station="P2")) == (40, 46)


def test_a_notice_closes_as_order_done_when_the_station_has_completed_the_order():
    story = running(8, quantity=6)
    assert story.words() == ["opened early"]
    story.later(20).count({"T2": (8, 0)}, session="s1", seq=50, panels=8)
    assert story.words() == ["opened early", "closed order done"]


def test_over_run_is_no_limit():
    story = running(5, quantity=20)
    story.run(5, {"T2": 1})
    assert needed(story) == 0
    assert story.told == []
    story.run(1, {"T2": 1})
    assert needed(story) is None
    story.run(4, {"T2": 1})
    assert story.words() == ["opened early"]


def test_an_order_whose_start_we_did_not_see_is_no_limit():
    story = Story()
    story.recipe({"T2": 1}, "A")
    story.order("o1", "running", recipe="A", panels=20, retained=True)
    story.first("T2")
    story.load("T2", 12, kind="tray")
    story.run(2, {"T2": 1})
    assert needed(story) is None
    assert story.words() == ["opened early"]


def test_no_order_ever_heard_is_no_limit():
    story = Story()
    story.recipe({"T2": 1})
    story.load("T2", 60)
    assert needed(story) is None


def test_an_order_that_does_not_say_how_many_is_no_limit():
    assert needed(running(None)) is None


def test_an_order_that_begins_with_a_station_unheard_so_far_began_there_too():
    story = Story()
    story.order("o1", "running", recipe="A", panels=20)
    story.recipe({"T2": 1}, "A", station="P9")
    story.load("T2", 60, station="P9")
    story.first("T2", station="P9")
    assert needed(story, station="P9") == 20


def test_a_retained_order_that_is_running_already_does_not_begin_again():
    story = running(20)
    story.run(5, {"T2": 1})
    assert story.order("o1", "running", recipe="A", panels=20, retained=True) is None
    assert needed(story) == 15


def test_an_order_said_to_run_again_with_another_number_goes_on():
    story = running(20)
    story.run(5, {"T2": 1})
    story.order("o1", "running", panels=30)
    assert needed(story) == 25


def test_the_next_running_order_ends_the_one_before_and_begins_at_zero():
    story = running(20)
    story.run(15, {"T2": 1})
    story.order("o2", "running", recipe="A", panels=40)
    assert needed(story) == 40
    assert story.world.lines["L3"].orders["o1"].state == "finished"


def test_the_retained_message_of_an_order_that_another_one_ended_does_not_bring_it_back():
    """After a reconnect every topic's last word comes again, in any order."""
    story = running(20, at="2026-03-02T05:00:00Z")
    story.order("o2", "running", recipe="A", panels=40, at="2026-03-02T05:30:00Z")
    story.run(3, {"T2": 1})
    assert story.order("o1", "running", panels=20, at="2026-03-02T05:00:00Z", retained=True) is None
    assert needed(story) == 37


def test_a_retained_message_older_than_what_was_heard_of_the_order_says_nothing():
    story = running(20, at="2026-03-02T05:00:00Z")
    story.order("o1", "finished", at="2026-03-02T05:50:00Z")
    assert story.order("o1", "running", at="2026-03-02T05:00:00Z", retained=True) is None
    assert story.world.lines["L3"].running is None


def test_of_retained_running_orders_the_one_that_began_last_runs():
    story = Story()
    story.order("o2", "running", at="2026-03-02T05:30:00Z", retained=True)
    story.order("o1", "running", at="2026-03-02T05:00:00Z", retained=True)
    assert story.world.lines["L3"].running == "o2"


def test_an_order_that_was_shortened_closes_what_is_no_longer_needed():
    story = running(40, quantity=15)
    story.run(6, {"T2": 1})
    assert story.words() == ["opened early"]
    story.order("o1", "running", panels=12)
    assert story.live() == []


# --- without `panels` nothing is silenced ---------------------------------------------------------------


def test_without_panels_progress_is_estimated_from_usage_marked_so_and_silences_nothing():
    story = Story()
    story.recipe({"T2": 2, "F1": 10}, "A")
    story.count({"T2": (0, 0), "F1": (0, 0)}, session="a", seq=0)
    story.load("T2", 30, kind="tray")
    story.order("o1", "running", recipe="A", panels=12)
    for panel in range(1, 6):
        story.later(20).count({"T2": (2 * panel, 0), "F1": (10 * panel, 0)}, session="a", seq=panel)
    assert story.station().order_done == 5
    assert story.station().progress_estimated
    assert needed(story) is None
    assert story.words() == ["opened early"]


def test_parts_of_a_panel_add_up_where_progress_is_estimated():
    story = Story()
    story.recipe({"F1": 10}, "A")
    for seq in range(21):
        story.count({"F1": (4 * seq, 0)}, session="a", seq=seq)
    assert story.station().progress == 8


def test_one_message_without_panels_makes_nothing_an_estimate():
    story = running(20)
    story.count({"T2": (1, 0)}, session="s1", seq=50)
    assert not story.station().progress_estimated
    assert needed(story) == 20


def test_an_estimated_order_does_not_make_the_next_one_an_estimate():
    story = Story()
    story.recipe({"T2": 1}, "A")
    story.load("T2", 60, kind="tray")
    story.count({"T2": (0, 0)}, session="a", seq=0)
    story.order("o1", "running", recipe="A", panels=12)
    story.count({"T2": (3, 0)}, session="a", seq=1)
    story.count({"T2": (4, 0)}, session="a", seq=2, panels=4)
    story.order("o2", "running", recipe="A", panels=30)
    story.count({"T2": (9, 0)}, session="a", seq=3, panels=9)
    assert needed(story) == 25


# --- the queue ------------------------------------------------------------------------------------------


def test_the_next_queued_order_with_the_same_part_in_the_same_slot_extends():
    story = running(20, quantity=25)
    story.order("o2", "queued", recipe="A", panels=30)
    assert needed(story) == 50
    story.run(16, {"T2": 1})
    assert story.words() == ["opened early"]


def test_a_queued_order_with_another_part_in_the_slot_extends_nothing():
    story = running(20, quantity=25)
    story.recipe({"T2": 1}, "B", active=False, parts={"T2": "RAM"})
    story.order("o2", "queued", recipe="B", panels=30)
    assert needed(story) == 20
    story.run(20, {"T2": 1})
    assert story.told == []


def test_a_queued_order_whose_recipe_names_no_part_is_taken_to_need_the_same():
    """The page is silent: rather a warning too many than one too few."""
    story = running(20)
    story.recipe({"T2": 1}, "B", active=False)
    story.order("o2", "queued", recipe="B", panels=30)
    assert needed(story) == 50


def test_a_queued_order_that_does_not_use_the_slot_extends_nothing():
    story = running(20)
    story.recipe({"F1": 1}, "B", active=False)
    story.order("o2", "queued", recipe="B", panels=30)
    assert needed(story) == 20


def test_a_queued_order_of_an_unheard_recipe_extends_nothing():
    story = running(20)
    story.order("o2", "queued", recipe="Z", panels=30)
    assert needed(story) == 20
    story.recipe({"T2": 1}, "Z", active=False, parts={"T2": "MCU"})
    assert needed(story) == 50, "heard of now"


def test_only_the_next_queued_order_counts_where_it_does_not_go_on():
    story = running(20)
    story.recipe({"F1": 1}, "B", active=False)
    story.order("o2", "queued", recipe="B", panels=30)
    story.order("o3", "queued", recipe="A", panels=30)
    assert needed(story) == 20


def test_queued_orders_that_all_go_on_extend_one_after_the_other():
    story = running(20)
    story.order("o2", "queued", recipe="A", panels=30)
    story.order("o3", "queued", recipe="A", panels=7)
    assert needed(story) == 57


def test_a_withdrawn_order_extends_nothing_any_more():
    story = running(20)
    story.order("o2", "queued", recipe="A", panels=30)
    story.order("o2", "withdrawn")
    assert needed(story) == 20


def test_an_order_queued_anew_takes_its_place_at_the_end():
    story = running(20)
    story.recipe({"F1": 1}, "B", active=False)
    story.order("o2", "queued", recipe="A", panels=30)
    story.order("o2", "withdrawn")
    story.order("o3", "queued", recipe="B", panels=5)
    story.order("o2", "queued", recipe="A", panels=30)
    assert needed(story) == 20


def test_a_queued_order_without_a_number_goes_on_without_end():
    story = running(20)
    story.order("o2", "queued", recipe="A")
    assert needed(story) is None


def test_the_next_order_s_own_usage_is_what_it_needs():
    story = running(4, quantity=60)
    story.recipe({"T2": 20}, "B", active=False, parts={"T2": "MCU"})
    story.order("o2", "queued", recipe="B", panels=30)
    at = story.station()
    wanted = demand(story.world.line("L3"), at, story.sight("T2"), 1.0)
    assert (wanted.panels, wanted.steps) == (34, ((4, 1.0), (30, 20.0)))
    told = story.run(1, {"T2": 1})
    assert story.words(told or story.told) == ["opened early"], "3 panels, then 20 parts each: five panels"


# --- the end --------------------------------------------------------------------------------------------


def test_finished_with_none_queued_closes_and_silences_until_placements_resume():
    story = running(40, quantity=12)
    story.run(3, {"T2": 1})
    assert story.words() == ["opened early"]
    told = story.order("o1", "finished") or []
    assert story.words(told) == ["closed order done"]
    story.load("T2", 5, kind="tray")
    story.out("T2")
    assert story.live() == []
    story.green()
    story.later(HOUR)
    story.load("T2", 5, kind="tray")
    assert story.live() == []
    story.run(1, {"T2": 1})
    assert story.live() == ["T2"]


def test_finished_with_the_next_order_queued_for_the_same_part_goes_on():
    story = running(40, quantity=12)
    story.order("o2", "queued", recipe="A", panels=30)
    story.run(3, {"T2": 1})
    story.order("o1", "finished")
    assert story.live() == ["T2"]
    assert needed(story) == 30


def test_an_out_signal_during_the_rest_is_told_when_placements_resume_elsewhere_at_the_station():
    story = running(40, quantity=60)
    story.recipe({"T2": 1, "F1": 1}, "A")
    story.order("o1", "finished")
    assert story.out("F1") == []
    assert story.words(story.run(1, {"T2": 1})) == ["opened empty"]


def test_over_run_frees_the_slots_that_its_first_count_does_not_name():
    story = running(2, quantity=60)
    story.recipe({"T2": 1, "T4": 1}, "A")
    story.load("T4", 5, kind="tray")
    assert story.live() == []
    assert story.words(story.run(3, {"T2": 1})) == ["opened early"]
    assert story.live() == ["T4"]


def test_the_last_panel_of_a_finished_order_that_is_counted_late_is_no_resumption():
    """The page is silent: what was placed before the order was finished doesn't begin another."""
    story = running(40, quantity=12)
    story.run(3, {"T2": 1})
    story.later(30)
    story.order("o1", "finished")
    story.later(1).count({"T2": (4, 0)}, session="s1", seq=50, panels=4, ago=10)
    assert story.live() == []


def test_finished_silences_where_the_start_was_never_heard_too():
    story = Story()
    story.recipe({"T2": 1}, "A")
    story.first("T2")
    story.load("T2", 5, kind="tray")
    assert story.live() == ["T2"]
    story.order("o0", "finished")
    assert story.live() == []
    story.run(1, {"T2": 1})
    assert story.live() == ["T2"]


def test_finished_said_again_does_not_silence_what_goes_on():
    story = running(40, quantity=12)
    story.order("o1", "finished")
    story.run(3, {"T2": 1})
    assert story.live() == ["T2"]
    assert story.order("o1", "finished") == []
    assert story.live() == ["T2"]


def test_an_old_order_said_to_be_finished_does_not_silence_the_one_that_runs():
    story = running(40, quantity=5)
    story.order("o0", "finished")
    assert story.live() == ["T2"]


def test_withdrawing_a_queued_order_silences_nothing():
    story = running(None, quantity=5)
    story.order("o2", "queued", recipe="A", panels=3)
    story.order("o2", "withdrawn")
    assert story.live() == ["T2"]


def test_placements_after_the_end_have_no_limit_until_an_order_runs():
    story = running(40, quantity=60)
    story.run(3, {"T2": 1})
    story.order("o1", "finished")
    assert needed(story) == 0
    story.run(1, {"T2": 1})
    assert needed(story) is None
    story.order("o2", "running", recipe="A", panels=9)
    assert needed(story) == 9


def test_an_order_that_ended_long_ago_is_forgotten():
    story = Story()
    for number in range(80):
        story.order(f"o{number}", "running")
    orders = story.world.lines["L3"].orders
    assert len(orders) == 51
    assert "o79" in orders
    assert "o0" not in orders
