"""Named values that say how things are: what is loaded, what the tower shows, whether a station is heard, and
what it makes."""

from __future__ import annotations

import pytest

from service.domain.model import SECOND, to_rfc3339
from service.wire.gateway import Memory
from service.wire.native import Misfit
from service.wire.values import Gathered, Value, Values
from tests.support.named import HERE, T0, Floor, bodies, rule

LOADING = (
    rule("{slot}/reel", "supply"),
    rule("{slot}/lot", "lot"),
    rule("{slot}/part", "part"),
    rule("{slot}/kind", "kind", words={"R": "tape"}),
    rule("{slot}/kpcs", "quantity", times=1000),
)
REEL = {"F1/reel": "S1", "F1/lot": "A77", "F1/part": "R-10K", "F1/kind": "R", "F1/kpcs": 5.0}
LAMPS = (rule("lamp/{lamp}", "lamp"), rule("horn", "buzzer"))


def loaded(number: int, **known: object):
    ours = {"id": f"hall@{to_rfc3339(T0)}/F1/{number}", "slot": "F1", "change": "loaded"}
    return [{"supply": ours | known}]


# What is loaded


def test_what_is_loaded_is_said_when_it_is_first_heard_of():
    said = Floor(*LOADING).hear(0, REEL)
    assert said == loaded(1, supply="S1", lot="A77", part="R-10K", kind="tape", quantity=5000)


def test_a_repeat_of_what_is_loaded_says_nothing():
    floor = Floor(*LOADING)
    floor.hear(0, REEL)
    assert floor.hear(60, REEL) == []
    assert floor.look(120) == []


def test_another_supply_is_loaded_with_what_else_is_known_of_it():
    floor = Floor(*LOADING)
    floor.hear(0, REEL)
    said = floor.hear(60, REEL | {"F1/reel": "S2", "F1/kpcs": 3.2})
    assert said == loaded(2, supply="S2", lot="A77", part="R-10K", kind="tape", quantity=3200)


def test_what_belongs_to_one_exchange_may_come_in_any_order():
    floor = Floor(*LOADING)
    floor.hear(0, REEL)
    said = [
        floor.hear(60, {"F1/part": "R-22K"}),
        floor.hear(60.3, {"F1/reel": "S2"}),
        floor.hear(60.6, {"F1/kind": "R"}),
        floor.hear(60.9, {"F1/lot": "B12"}),
        floor.hear(61.2, {"F1/kpcs": 5}),
    ]
    assert said[:4] == [[], [], [], []]
    assert said[4] == loaded(2, supply="S2", lot="B12", part="R-22K", kind="tape", quantity=5000)


def test_the_rest_is_waited_for_a_little():
    floor = Floor(*LOADING)
    floor.hear(0, REEL)
    assert floor.hear(60, {"F1/reel": "S2"}) == []
    assert floor.look(61.9) == []
    (said,) = floor.look(62)
    assert said["supply"]["at"] == to_rfc3339(T0 + 60 * SECOND).replace(".000", "")
    assert said["supply"]["supply"] == "S2"
    assert floor.look(63) == []


def test_a_quantity_that_is_always_the_same_neednt_be_said_again():
    """Who tells changes alone says nothing of the next full reel."""
    floor = Floor(rule("{slot}/lot", "lot"), rule("{slot}/full", "quantity"))
    floor.hear(0, {"F1/lot": "A77", "F1/full": 5000})
    floor.hear(600, {"F1/lot": "B12"})
    (said,) = floor.look(602)
    assert said["supply"]["quantity"] == 5000


def test_what_is_left_of_the_supply_before_is_no_quantity_of_the_next():
    floor = Floor(rule("{slot}/lot", "lot"), rule("{slot}/left", "quantity"))
    floor.hear(0, {"F1/lot": "A77", "F1/left": 5000})
    for second in range(1, 9):
        floor.hear(second, {"F1/left": 5000 - 600 * second})
    assert floor.hear(9, {"F1/lot": "B12"}) == []
    (said,) = floor.look(11)
    assert "quantity" not in said["supply"]


def test_a_part_tells_supplies_apart_where_nothing_better_does():
    floor = Floor(rule("{slot}/part", "part"))
    assert floor.hear(0, {"F1/part": "R-10K"}) == loaded(1, part="R-10K")
    assert floor.hear(1, {"F1/part": "R-22K"}) == loaded(2, part="R-22K")


@pytest.mark.parametrize("nothing", [None, "", "  "])
def test_a_slot_whose_supply_is_named_no_more_is_empty(nothing):
    floor = Floor(*LOADING)
    assert floor.hear(0, {"F1/reel": nothing}) == []
    floor.hear(1, REEL)
    (said,) = floor.hear(2, {"F1/reel": nothing})
    assert said["supply"]["change"] == "removed"
    assert floor.hear(3, {"F1/reel": nothing, "F1/lot": nothing}) == []
    (back,) = floor.hear(4, REEL)
    assert back["supply"]["change"] == "loaded"


def test_the_source_says_when_it_was_loaded():
    (said,) = Floor(rule("{slot}/lot", "lot")).hear(60, {"F1/lot": "A77"}, ago=20)
    assert said["supply"]["at"] == "2026-03-02T06:14:47Z"


def test_a_loading_has_the_same_id_when_it_is_said_again_after_a_failed_commit():
    floor = Floor(*LOADING)
    floor.hear(0, {"F1/placed": 1})
    first = floor.hear(1, REEL)
    floor.memory.undo(lambda key: None)
    assert floor.hear(1, REEL)[0]["supply"].keys() == first[0]["supply"].keys()
    stored = {key: data for key, data in floor.memory.take_changes().items() if data is not None}
    memory = Memory(Gathered, Gathered)
    memory.restore(stored)
    anew = Floor(*LOADING, memory=memory)
    assert anew.hear(2, REEL) == []


def test_a_kind_nobody_knows_is_refused():
    with pytest.raises(Misfit, match="F1/kind: 'sack' is none of tape, tray, stick, bulk"):
        Floor(*LOADING).hear(0, {"F1/kind": "sack"})


# The tower


def blink(floor: Floor, lamp: str, *, begin: float, times: int, every: float = 0.36) -> list:
    return [floor.hear(begin + each * every, {lamp: each % 2 == 0}) for each in range(times)]


def test_a_lamp_that_changes_again_and_again_is_flashing_and_said_once():
    said = blink(Floor(*LAMPS), "lamp/yellow", begin=0, times=20)
    assert [each for each in said if each] == [[{"tower": {"lamps": {"yellow": "flashing"}}}]]


def test_two_lamps_may_be_lit_at_once():
    floor = Floor(*LAMPS)
    assert floor.hear(0, {"lamp/red": True, "lamp/green": 1, "horn": "ON"}) == []
    assert floor.look(10) == [{"tower": {"lamps": {"red": "on", "green": "on"}, "buzzer": "on"}}]


def test_a_colour_no_tower_has_changes_nothing():
    floor = Floor(*LAMPS)
    floor.hear(0, {"lamp/red": "flashing"})
    assert floor.hear(1, {"lamp/mauve": "flashing"}) == []


def test_a_lamp_in_words_that_know_flashing_is_believed_at_once():
    floor = Floor(rule("lamp/{lamp}", "lamp", words={"2": "flashing", "BLINK": "flashing"}))
    assert floor.hear(0, {"lamp/Red": 0}) == [{"tower": {"lamps": {"red": "off"}}}]
    assert floor.hear(1, {"lamp/Red": 2.0}) == [{"tower": {"lamps": {"red": "flashing"}}}]
    assert floor.hear(2, {"lamp/Red": "BLINK"}) == []


def test_the_bits_of_a_number_are_lamps():
    floor = Floor(rule("outputs", "lamps", bits={"0": "red", "1": "yellow", "7": "buzzer"}))
    floor.hear(0, outputs=0b1000_0001)
    expected = {"lamps": {"red": "on", "yellow": "off"}, "buzzer": "on"}
    assert floor.look(10) == [{"tower": expected}]


def test_a_word_may_say_the_whole_tower():
    words = {"RUN": "green", "LOW": "green, yellow:flashing", "OUT": "yellow:flashing, buzzer", "STOP": "red"}
    floor = Floor(rule("state", "lamps", words=words))
    assert floor.hear(0, state="LOW") == [
        {"tower": {"lamps": {"green": "on", "yellow": "flashing", "red": "off"}, "buzzer": "off"}}
    ]
    assert floor.hear(1, state="OUT") == [
        {"tower": {"lamps": {"green": "off", "yellow": "flashing", "red": "off"}, "buzzer": "on"}}
    ]


def test_numbers_that_stand_for_colours_are_no_bits():
    """OPC 10000-200, SignalColor: 1 red, 2 green, 3 blue, 4 yellow."""
    colours = {"0": "", "1": "red", "2": "green", "3": "blue", "4": "yellow", "7": "white"}
    floor = Floor(rule("colour", "lamps", words=colours))
    dark = dict.fromkeys(("red", "green", "blue", "yellow", "white"), "off")
    assert floor.hear(0, colour=4) == [{"tower": {"lamps": dark | {"yellow": "on"}}}]
    assert floor.hear(1, colour=3) == [{"tower": {"lamps": dark | {"blue": "on"}}}]


def test_lamps_may_come_as_an_object_or_a_list():
    floor = Floor(rule("lamps", "lamps"))
    floor.hear(0, lamps={"red": "flashing", "green": None})
    assert floor.hear(1, lamps=["green"])[0]["tower"]["lamps"]["green"] == "on"


def test_what_is_no_state_of_a_lamp_is_refused():
    with pytest.raises(Misfit, match="lamp/red: 7 is no state of a lamp"):
        Floor(*LAMPS).hear(0, {"lamp/red": 7})


def test_a_restart_forgets_no_lamp():
    floor = Floor(*LAMPS)
    blink(floor, "lamp/yellow", begin=0, times=8)
    stored = {key: data for key, data in floor.memory.take_changes().items() if data is not None}
    memory = Memory(Gathered, Gathered)
    memory.restore(stored)
    anew = Floor(*LAMPS, memory=memory)
    assert anew.values.next_moment() is not None
    assert anew.look(60) == [{"tower": {"lamps": {"yellow": "off"}}}]


# Links


def test_a_link_is_said_when_it_changes():
    floor = Floor(rule("alive", "link", words={"UP": "online"}))
    assert floor.hear(0, alive="UP") == [{"link": {"state": "online"}}]
    assert floor.hear(1, alive=True) == []
    assert floor.hear(2, alive=0, ago=0) == [{"link": {"at": "2026-03-02T06:14:09Z", "state": "offline"}}]


def test_a_device_that_is_gone_takes_the_stations_it_spoke_of():
    memory = Memory(Gathered, Gathered)
    values = Values("hall", [rule("{line}/{station}/boards", "panels")], memory)
    values.take({"node": "n1"}, [Value("L3/P1/boards", 0), Value("L3/P2/boards", 0)], at=T0)
    values.take({"node": "n2"}, [Value("L3/P3/boards", 0)], at=T0)
    gone = values.link({"node": "n1"}, "offline", T0)
    assert [native.address.subject for native in gone] == ["L3/P1", "L3/P2"]
    assert values.link({"node": "n1"}, "offline", T0) == []


# Recipes and orders

MAKING = (rule("recipe", "recipe"), rule("{slot}/use", "usage"))
ORDERS = (rule("order", "order"), rule("size", "order_panels", each=4), rule("phase", "order_state"))


def test_a_recipe_is_said_with_its_usage():
    floor = Floor(*MAKING)
    said = floor.hear(0, {"recipe": "top", "F1/use": 18, "F2/use": "0.5"})
    assert said == [{"recipe": {"recipe": "top", "usage": {"F1": 18, "F2": 0.5}}}]
    assert floor.hear(1, {"recipe": "top", "F1/use": 18}) == []


def test_another_recipe_has_a_usage_of_its_own():
    floor = Floor(*MAKING)
    floor.hear(0, {"recipe": "top", "F1/use": 18})
    assert floor.hear(10, {"recipe": "bottom"}) == []
    assert floor.look(20) == []
    assert floor.hear(21, {"F2/use": 3}) == []
    assert floor.look(23) == [{"recipe": {"recipe": "bottom", "usage": {"F2": 3}}}]


def test_a_usage_alone_belongs_to_a_recipe_that_is_fixed():
    floor = Floor(rule("{slot}/use", "usage", fixed={"recipe": "all"}))
    assert floor.hear(0, {"F1/use": 18}) == [{"recipe": {"recipe": "all", "usage": {"F1": 18}}}]


def test_an_order_runs_while_it_is_named_and_then_is_finished():
    floor = Floor(rule("order", "order"), rule("size", "order_panels", each=4))
    assert floor.hear(0, order="4711", size=1920) == [
        {"order": {"state": "running", "order": "4711", "panels": 480}}
    ]
    assert floor.hear(1, order="4711", size=1920) == []
    assert floor.hear(2, order="", size=0) == [
        {"order": {"order": "4711", "panels": 480, "state": "finished"}}
    ]


def test_the_parts_of_an_order_may_come_one_by_one():
    floor = Floor(*ORDERS)
    floor.hear(0, order="4711", size=1920, phase="running")
    assert floor.hear(10, size=400) == []
    assert floor.hear(10.1, phase="queued") == []
    assert floor.hear(10.2, order="4712") == []
    assert floor.look(13) == [{"order": {"order": "4712", "panels": 100, "state": "running"}}]


def test_a_state_that_ends_an_order_is_said_of_it_though_the_next_is_named_at_once():
    floor = Floor(*ORDERS)
    floor.hear(0, order="4711", size=1920, phase="running")
    assert floor.hear(10, phase="finished") == []
    assert floor.hear(10.2, order="4712") == [
        {"order": {"order": "4711", "panels": 480, "state": "finished"}}
    ]


def test_an_order_that_is_never_named_is_no_more_to_remember_with_each_of_its_values():
    floor = Floor(*ORDERS)
    sizes = []
    for second in range(3):
        floor.hear(second, size=400 + 4 * second)
        (data,) = floor.memory.take_changes().values()
        sizes.append(len(data or b""))
    assert sizes[0] == sizes[2]


def test_two_stations_that_name_one_order_say_it_once():
    values = Values("hall", [rule("order", "order")], Memory(Gathered, Gathered))
    first = values.take(HERE, [Value("order", "4711")], at=T0)
    assert bodies(first) == [{"order": {"state": "running", "order": "4711"}}]
    assert values.take({"line": "L3", "station": "P2"}, [Value("order", "4711")], at=T0) == []
