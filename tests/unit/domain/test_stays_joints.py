"""Which tape fed which panels around a joint, and what published examples say of it."""

from __future__ import annotations

from tests.support.lots import TAPE, Kept, line
from tests.support.story import Story


def test_a_joined_tape_feeds_once_the_books_say_that_the_one_before_is_over():
    story, kept = line(TAPE)
    story.load("F1", 50, lot="A1", ago=0)
    story.join("F1", 5000, lot="A2", by="Mira", ago=0)
    story.run(9, TAPE)
    first, second = kept.of("F1")[-2:]
    assert (first.stay.feeds, second.stay.begun.at) == (True, None)
    story.run(3, TAPE)
    first, second = kept.of("F1")[-2:]
    assert (first.stay.how, first.stay.used) == ("joint passed", 50)
    assert first.stay.ended == second.stay.begun
    assert second.stay.begun.at == story.now - 40_000_002


def test_how_far_labels_err_is_doubt_at_a_joint():
    story, kept = line(TAPE, quantity=500)
    story.run(1, TAPE)
    story.join("F1", 500, lot="A2", ago=0)
    story.run(140, TAPE)
    [(_, before, surely)] = kept.panels("A1")
    [(_, after, surely_after)] = kept.panels("A2")
    assert surely is not None
    assert surely_after is not None
    assert 80 < surely[1] < 100 < before[1] < 120
    assert (after[0], surely_after[0]) == (surely[1] + 1, before[1] + 1)


def test_where_a_person_counted_what_was_left_only_the_panel_of_the_joint_is_in_doubt():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.counted("F1", 52, ago=0)
    story.join("F1", 5000, lot="A2", ago=0)
    story.run(20, TAPE)
    assert kept.panels("A1") == [(None, (1, 21), (2, 20))]
    assert kept.panels("A2") == [(None, (21, 30), (22, 30))]


def test_a_tape_whose_joint_never_passed_fed_nothing():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.join("F1", 5000, lot="A2", ago=0)
    story.load("F1", 5000, lot="A3", by="Mira", ago=0)
    story.run(3, TAPE)
    assert kept.panels("A2") == []
    assert (kept.one("A2").stay.used, kept.one("A2").stay.how) == (0, "loaded over")
    assert (kept.one("A1").stay.how, kept.one("A1").stay.ended_by) == ("loaded over", "Mira")


def test_a_splice_chain_counts_down_as_the_published_one():
    """A100 g0, A80, splice B200 behind A80, use 50: A30; detected: B200 g10; use 5: B195 g5; use 5: B190 g0;
    use 50: B140. Source: class comment of ``MaterialPackage`` in the CFX SDK (IPC-2591), as noted in the
    project's reference, 6.3; that the second use is 5 is worked out."""
    story = Story()
    story.recipe(TAPE)
    story.first("F1")
    story.load("F1", 100, lot="A", kind="tape", ago=0)
    story.run(4, TAPE)
    story.join("F1", 200, lot="B", ago=0)
    story.run(10, TAPE)
    assert story.slot("F1").book == 30 + 200
    story.supply("spliced", "F1", grey=10, ago=0)
    kept = Kept(story)
    assert kept.one("A").stay.used == 70
    grey = []
    for _ in range(2):
        story.run(1, TAPE)
        grey.append((story.slot("F1").book, story.slot("F1").grey_zone))
    story.run(10, TAPE)
    assert grey == [(195, 5), (190, 0)]
    assert story.slot("F1").book == 140
    assert kept.used(kept.one("B")) == 60
    assert kept.panels("A") == [(None, (1, 16), (2, 14))]
    assert kept.panels("B") == [(None, (15, 26), (17, 26))]


def test_what_was_used_and_what_was_spoiled_both_came_out_of_the_supply():
    """SLOT22 of the example of ``MaterialsConsumed`` in the CFX SDK (IPC-2591): 42 used, 2 spoiled, 344
    remain after that, as noted in the project's reference, 6.2."""
    story, kept = line(TAPE, quantity=388)
    story.count({"F1": (42, 2)}, session="s1", panels=9)
    assert (kept.used(kept.one("A1")), story.slot("F1").book) == (44, 344)


def test_where_a_reel_was_changed_within_a_panel_both_are_recorded_for_it():
    """Traceability of materials by IPC-1782, level M2: where the exact material can't be determined, as when
    a reel was changed during the cycle, there is more than one record for the place. Second hand: a public
    draft of a schema with the standard's elements; the standard itself wasn't opened."""
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.run(10, TAPE)
    of_panel = [
        lot for lot in ("A1", "A2") for _, (first, last), _ in kept.panels(lot) if first <= 11 <= last
    ]
    assert of_panel == ["A1", "A2"]
