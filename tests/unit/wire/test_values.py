"""Named values into our own messages: totals of any beginning never count twice, what is loaded is said once,
lamps that are only ever lit or dark are told apart."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import SECOND, to_rfc3339
from service.wire.gateway import Memory
from service.wire.native import Misfit
from service.wire.values import Gathered, Value, Values
from tests.support.named import HERE, T0, Floor, bodies, placed, rule

COUNTING = (
    rule("{slot}/placed", "placed"),
    rule("{slot}/picked", "picked"),
    rule("{slot}/lost", "lost"),
    rule("{slot}/empty", "empty"),
    rule("{slot}/more", "placed", counts="delta"),
    rule("boards", "panels", each=4),
    rule("done", "panel"),
)


def test_a_counter_counts_from_where_it_was_first_heard():
    floor = Floor(*COUNTING)
    assert floor.hear(0, {"F1/placed": 18_756}) == [{"count": {"slots": {"F1": {"placed": 0}}}}]
    assert floor.hear(1, {"F1/placed": 18_774}) == [{"count": {"slots": {"F1": {"placed": 18}}}}]


def test_a_repeat_says_nothing():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 5})
    assert floor.hear(1, {"F1/placed": 5}) == []


def test_values_heard_together_are_one_message_numbered_in_a_session_of_our_own():
    floor = Floor(*COUNTING)
    at = T0
    values = [("F1/placed", 5, at - 7), ("F2/placed", 6, at - 3), ("boards", 8, at - 5)]
    first, second = (
        json.loads(native.payload)
        for moment in (at, at + 1)
        for native in floor.values.take(
            HERE, [Value(name, units + moment - at, said) for name, units, said in values], at=moment
        )
    )
    assert first.pop("session") == second.pop("session") == f"hall@{to_rfc3339(T0)}"
    assert first == {
        "at": "2026-03-02T06:14:06.999997Z",
        "seq": 1,
        "slots": {"F1": {"placed": 0}, "F2": {"placed": 0}},
        "panels": 0,
    }
    assert second["seq"] == 2
    assert second["slots"] == {"F1": {"placed": 1}, "F2": {"placed": 1}}


def test_what_was_picked_was_placed_unless_it_was_lost():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/picked": 100, "F1/lost": 7, "F1/empty": 1})
    assert floor.hear(1, {"F1/picked": 110, "F1/lost": 9, "F1/empty": 2}) == [
        {"count": {"slots": {"F1": {"placed": 8, "lost": 2, "empty": 1}}}}
    ]


def test_losses_that_come_later_than_their_picks_take_nothing_back():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/picked": 100, "F1/lost": 0})
    floor.hear(1, {"F1/picked": 110})
    assert floor.hear(2, {"F1/lost": 1}) == [{"count": {"slots": {"F1": {"placed": 10, "lost": 1}}}}]
    assert placed(*floor.hear(3, {"F1/picked": 112})) == {"F1": 11}


def test_losses_nobody_speaks_of_stay_unknown():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1})
    assert "lost" not in floor.hear(1, {"F1/placed": 2})[0]["count"]["slots"]["F1"]


def test_losses_alone_say_nothing_of_a_slot():
    assert Floor(*COUNTING).hear(0, {"F1/lost": 3}) == []


@pytest.mark.parametrize("ago", [None, 0.0])
def test_a_counter_near_zero_has_begun_again_and_counts_in_full(ago):
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1000}, ago=ago)
    assert placed(*floor.hear(1, {"F1/placed": 1010}, ago=ago)) == {"F1": 10}
    assert placed(*floor.hear(2, {"F1/placed": 7}, ago=ago)) == {"F1": 17}
    assert placed(*floor.hear(3, {"F1/placed": 9}, ago=ago)) == {"F1": 19}


def test_a_counter_that_falls_a_little_is_an_old_message():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1000})
    assert floor.hear(1, {"F1/placed": 990}) == []
    assert placed(*floor.hear(2, {"F1/placed": 1004})) == {"F1": 4}


def test_one_that_falls_a_little_and_is_newer_was_put_right_and_goes_on_from_there():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1000}, ago=0)
    assert floor.hear(1, {"F1/placed": 990}, ago=0) == []
    assert placed(*floor.hear(2, {"F1/placed": 1004}, ago=0)) == {"F1": 14}


def test_an_old_message_is_told_by_its_time_however_far_it_falls():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1}, ago=0)
    floor.hear(1, {"F1/placed": 9}, ago=0)
    assert floor.hear(2, {"F1/placed": 2}, ago=1.5) == []
    assert placed(*floor.hear(3, {"F1/placed": 10}, ago=0)) == {"F1": 9}


def test_what_is_from_before_a_restart_counts_nothing_after_it():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1000}, ago=0)
    floor.hear(10, {"F1/placed": 5}, ago=0)
    assert floor.hear(11, {"F1/placed": 998}, ago=12) == []
    assert placed(*floor.hear(12, {"F1/placed": 6}, ago=0)) == {"F1": 6}


def test_a_time_that_cant_be_believed_orders_nothing_and_is_passed_on():
    """So that its clock is flagged where all clocks are."""
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 10}, ago=0)
    later = floor.hear(1, {"F1/placed": 12}, ago=3600.0 * 24 * 365)
    assert placed(*later) == {"F1": 2}
    assert later[0]["count"]["at"].startswith("2025-")


def test_counters_that_fall_with_one_that_began_again_did_so_too():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1000, "F2/placed": 50, "boards": 400})
    said = floor.hear(1, {"F1/placed": 36, "F2/placed": 40, "boards": 8})
    assert said == [{"count": {"slots": {"F1": {"placed": 36}, "F2": {"placed": 40}}, "panels": 2}}]


def test_one_slot_that_begins_again_leaves_the_others_alone():
    """A machine may count by the supply."""
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 1000, "F2/placed": 50})
    assert placed(*floor.hear(1, {"F1/placed": 3, "F2/placed": 51})) == {"F1": 3, "F2": 1}


def test_boards_make_panels():
    floor = Floor(*COUNTING)
    assert floor.hear(0, boards=1003) == [{"count": {"panels": 0}}]
    assert floor.hear(1, boards=1004) == [{"count": {"panels": 1}}]
    assert floor.hear(2, boards=1007) == []
    assert floor.hear(3, boards=1013) == [{"count": {"panels": 3}}]


def test_deltas_count_from_the_first_which_is_no_beginning():
    """A first total is where counting begins; a first delta is counted, so nothing is said before it."""
    floor = Floor(*COUNTING)
    assert floor.hear(0, {"F1/more": 18}) == [
        {"count": {"slots": {"F1": {"placed": 0}}}},
        {"count": {"slots": {"F1": {"placed": 18}}}},
    ]
    assert placed(*floor.hear(1, {"F1/more": 18})) == {"F1": 36}


def test_what_is_first_lost_later_than_placed_is_no_beginning_either():
    floor = Floor(rule("{slot}/more", "placed", counts="delta"), rule("{slot}/lost", "lost", counts="delta"))
    floor.hear(0, {"F1/more": 18})
    assert floor.hear(1, {"F1/lost": 3}) == [
        {"count": {"slots": {"F1": {"placed": 18, "lost": 0}}}},
        {"count": {"slots": {"F1": {"placed": 18, "lost": 3}}}},
    ]
    assert floor.hear(2, {"F1/lost": 1}) == [{"count": {"slots": {"F1": {"placed": 18, "lost": 4}}}}]


def test_a_delta_that_isnt_newer_is_a_repeat():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/more": 18}, ago=0)
    assert floor.hear(1, {"F1/more": 18}, ago=1) == []
    assert placed(*floor.hear(2, {"F1/more": 18}, ago=0)) == {"F1": 36}


def test_deltas_of_boards_keep_what_is_no_panel_yet():
    floor = Floor(rule("boards", "panels", counts="delta", each=4))
    assert floor.hear(0, boards=3) == [{"count": {"panels": 0}}]
    assert floor.hear(1, boards=3) == [{"count": {"panels": 1}}]
    assert floor.hear(2, boards=2) == [{"count": {"panels": 2}}]


def test_each_other_serial_number_is_a_panel():
    floor = Floor(*COUNTING)
    said = [floor.hear(second, done=serial) for second, serial in enumerate(["A1", "A1", "A2", None, "A2"])]
    assert said == [
        [{"count": {"panels": 0}}, {"count": {"panels": 1}}],
        [],
        [{"count": {"panels": 2}}],
        [],
        [{"count": {"panels": 3}}],
    ]


def test_each_pulse_is_a_panel():
    floor = Floor(*COUNTING)
    counted = [floor.hear(second, done=pulse) for second, pulse in enumerate([True, True, False, 1, 0])]
    assert [each[-1]["count"]["panels"] if each else None for each in counted] == [1, 2, None, 3, None]


def test_a_pulse_that_comes_twice_is_told_by_its_time():
    floor = Floor(*COUNTING)
    floor.hear(0, done=True, ago=0)
    assert floor.hear(1, done=True, ago=1) == []


def test_what_the_broker_kept_counts_no_delta_and_no_panel():
    floor = Floor(*COUNTING)
    assert floor.hear(0, {"F1/more": 18, "done": "A1"}, retained=True) == []
    assert placed(*floor.hear(0, {"F1/placed": 18}, retained=True)) == {"F1": 0}


def test_of_what_is_from_before_only_totals_count():
    floor = Floor(*COUNTING, rule("{slot}/part", "part"), rule("lamp", "lamps", bits={"0": "red"}))
    floor.hear(0, {"F1/placed": 10}, ago=0)
    past = {"F1/placed": 14, "F1/more": 3, "F1/part": "R-10K", "lamp": 1, "done": "A1"}
    assert placed(*floor.hear(1, past, ago=0.5, live=False)) == {"F1": 4}
    assert floor.look(60) == []


def test_a_value_nobody_named_is_ignored():
    assert Floor(*COUNTING).hear(0, {"temperature": 31.5}) == []


def test_a_value_that_is_unknown_now_counts_nothing():
    assert Floor(*COUNTING).hear(0, {"F1/placed": None, "boards": None}) == []


@pytest.mark.parametrize(
    "content", ["many", -1, 1.5, True, 2**53, float("nan"), float("inf"), [], {}, "", "-3", "9" * 5000]
)
def test_a_count_that_is_none_is_refused_and_nothing_is_remembered(content):
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 10})
    floor.memory.take_changes()
    with pytest.raises(Misfit, match="F1/placed: "):
        floor.hear(1, {"F2/placed": 99, "F1/placed": content})
    assert floor.memory.take_changes() == {}
    assert placed(*floor.hear(2, {"F1/placed": 12})) == {"F1": 2}


@pytest.mark.parametrize("content", [12, 12.0, "12", "12.0"])
def test_a_whole_number_may_be_written_in_several_ways(content):
    """64-bit integers are text in some encodings of JSON (OPC 10000-6, 5.4.2.3), and floats may be whole."""
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 10})
    assert placed(*floor.hear(1, {"F1/placed": content})) == {"F1": 2}


def test_a_name_that_is_none_of_ours_is_refused():
    with pytest.raises(Misfit, match="slot 'F 1'"):
        Floor(*COUNTING).hear(0, {"F 1/placed": 10})


def test_whose_a_value_is_must_be_said():
    values = Values("hall", [rule("{slot}/placed", "placed")], Memory(Gathered, Gathered))
    with pytest.raises(Misfit, match="nothing says which station"):
        values.take({"line": "L3"}, [Value("F1/placed", 1)], at=T0)


def test_what_neither_name_nor_place_says_is_fixed():
    values = Values(
        "hall",
        [rule("n", "placed", fixed={"line": "L3", "station": "P1", "slot": "F1"})],
        Memory(Gathered, Gathered),
    )
    assert placed(*bodies(values.take({}, [Value("n", 1)], at=T0))) == {"F1": 0}


def test_a_name_may_have_several_meanings():
    floor = Floor(rule("boards", "panels"), rule("boards", "placed", each=2, fixed={"slot": "F1"}))
    floor.hear(0, boards=10)
    assert floor.hear(1, boards=14) == [{"count": {"slots": {"F1": {"placed": 2}}, "panels": 4}}]


def test_what_is_remembered_goes_on_where_it_was():
    floor = Floor(*COUNTING)
    floor.hear(0, {"F1/placed": 10, "boards": 40})
    floor.hear(1, {"F1/placed": 14})
    stored = {key: data for key, data in floor.memory.take_changes().items() if data is not None}
    memory = Memory(Gathered, Gathered)
    memory.restore(stored)
    anew = Floor(*COUNTING, memory=memory)
    at = T0 + 9 * SECOND
    (said,) = anew.values.take(HERE, [Value("F1/placed", 15)], at=at)
    assert json.loads(said.payload) == {
        "session": f"hall@{to_rfc3339(T0)}",
        "seq": 3,
        "slots": {"F1": {"placed": 5}},
    }


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (rule("{lamp", "lamp"), "pattern"),
        (rule("x", "quantity", counts="delta"), "deltas"),
        (rule("x", "lamps", bits={"red": "0"}), "bits: 'red'"),
        (rule("x", "placed", fixed={"slots": "F1"}), r"fixed\.slots"),
        (rule("x", "placed", fixed={"slot": "F 1"}), "slot 'F 1'"),
        (rule("x", "placed", each=0), "each"),
    ],
)
def test_a_rule_that_cant_be_used_is_named(wrong, why):
    with pytest.raises(ValueError, match=why):
        Floor(wrong)


# Totals, whatever happens on the way


@st.composite
def stories(draw):
    """What counters show one after another: parts placed, and now and then a restart near zero."""
    truth = {"F1": 0, "F2": 0}
    raw = {"F1": draw(st.integers(0, 2000)), "F2": draw(st.integers(0, 2000))}
    shown = [(dict(raw), dict(truth))]
    for _ in range(draw(st.integers(1, 12))):
        if draw(st.integers(0, 5)) == 0:
            raw = dict.fromkeys(raw, 0)
        for slot in raw:
            more = draw(st.integers(0, 40))
            raw[slot] += more
            truth[slot] += more
        shown.append((dict(raw), dict(truth)))
    return shown


@given(stories(), st.data())
def test_grouping_repeating_and_reordering_change_no_total(story, data):
    """Each value carries its own time. Where a restart can be seen (the counter fell below half of what was
    last heard), the total is the truth; nothing ever counts twice or falls."""
    values = []
    for second, (raw, _) in enumerate(story):
        values += [Value(f"{slot}/placed", number, T0 + second * SECOND) for slot, number in raw.items()]
    start, rest = values[:2], values[2:]
    late = data.draw(st.lists(st.sampled_from(values), max_size=6), label="repeats, of any age")
    sent = list(rest)
    for each in late:
        earliest = sent.index(each) + 1 if each in sent else 0
        sent.insert(data.draw(st.integers(earliest, len(sent))), each)
    floor = Floor(*COUNTING)
    now = T0 + len(story) * SECOND
    said = placed(*bodies(floor.values.take(HERE, start, at=now)))
    highest = dict(said)
    while sent:
        size = data.draw(st.integers(1, len(sent)))
        batch, sent = sent[:size], sent[size:]
        now += 1
        for native in floor.values.take(HERE, batch, at=now):
            for slot, total in placed(*bodies([native])).items():
                assert total >= highest[slot]
                highest[slot] = total
    truth = story[-1][1]
    assert all(highest[slot] <= truth[slot] for slot in truth)
    if all(_restart_shows(story, slot) for slot in truth):
        assert highest == truth


def _restart_shows(story, slot: str) -> bool:
    raws = [(raw[slot], truth[slot]) for raw, truth in story]
    pairs = pairwise(raws)
    return all(now - before == new - old or 2 * now < before for (before, old), (now, new) in pairs)
