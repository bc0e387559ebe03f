"""Any JSON into our own messages, by rules."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.model import SECOND, Instant
from service.wire.mapped import MappedTranslator
from service.wire.mapped_rules import MessageRule, ValueAt
from service.wire.native import Misfit, read_message
from service.wire.rules import Rule

T0: Instant = 1_772_432_047 * SECOND
TOPIC = "plant/L3/P1/x"
PATTERN = "plant/{line}/{station}/x"
MILLISECONDS = T0 // 1000


def whole(gives: Any, topic: str = PATTERN, **more: Any) -> MessageRule:
    return MessageRule(topic=topic, gives=gives, **more)


def single(name: str, means: Any, **more: Any) -> ValueAt:
    own = {key: more.pop(key) for key in ("value", "at", "time") if key in more}
    return ValueAt(rule=Rule(name=name, means=means, **more), **own)


def mapped(*rules: MessageRule | ValueAt, timezone: str = "UTC") -> MappedTranslator:
    messages = [each for each in rules if isinstance(each, MessageRule)]
    return MappedTranslator("mes", messages, [each for each in rules if isinstance(each, ValueAt)], timezone)


def hear(translator: MappedTranslator, said: Any, topic: str = TOPIC, *, at: Instant = T0, **more: Any):
    """What it says by the kind and the place, each proved to be of our contract."""
    payload = said if isinstance(said, bytes) else json.dumps(said).encode()
    natives = translator.hear(topic, payload, at=at, **more)
    assert natives is not None
    for address, body in natives:
        read_message(address, body)
    return [(f"{address.subject} {address.kind}", json.loads(body)) for address, body in natives]


def numbered(**take: str) -> MappedTranslator:
    """Its counts go on as they are."""
    return mapped(whole("count", take={"session": "run", "seq": "n", **take}))


def slots_of(said: list[tuple[str, Any]]) -> dict[str, Any]:
    return said[-1][1]["slots"]


LOSING = {"slots": "feeders", "slot": "pos", "picked": "picks", "lost": "rejects"}
HEAD = {"run": "r1", "n": 7}


# Counts


def test_a_list_of_slots_is_counted():
    feeders = [{"pos": "F1", "picks": 100, "rejects": 2}, {"pos": 2, "picks": 7}, {"pos": "F3"}]
    said = hear(numbered(**LOSING), HEAD | {"feeders": feeders})
    assert said == [
        (
            "L3/P1 count",
            {
                "session": "r1",
                "seq": 7,
                "counts": "total",
                "slots": {"F1": {"placed": 98, "lost": 2}, "2": {"placed": 7}},
            },
        )
    ]


def test_an_object_of_slots_is_counted_by_its_keys():
    take = {"slots": "feeders", "placed": "n"}
    assert slots_of(hear(numbered(**take), HEAD | {"feeders": {"F1": {"n": 5}}})) == {"F1": {"placed": 5}}


def test_an_object_of_bare_numbers_is_counted():
    assert slots_of(hear(numbered(slots="f", placed="@"), HEAD | {"f": {"F1": 5}})) == {"F1": {"placed": 5}}


def test_parts_that_are_objects_have_a_value_for_each_slot():
    said = hear(
        numbered(placed="done", lost="bad"), HEAD | {"done": {"F1": 5, "F2": 6}, "bad": {"F2": 1, "F3": None}}
    )
    assert slots_of(said) == {"F1": {"placed": 5}, "F2": {"placed": 6, "lost": 1}}


def test_a_message_may_be_of_one_slot_that_the_topic_names():
    rule = whole("count", topic="plant/{line}/{station}/{slot}", take={"placed": "n", "seq": "i"})
    said = hear(mapped(rule), {"n": 5, "i": 1}, topic="plant/L3/P1/F1")
    assert slots_of(said) == {"F1": {"placed": 5}}


def test_whose_it_is_may_be_said_inside():
    rule = whole("count", topic="in", take={"line": "hall.line", "station": "m", "panels": "p", "seq": "i"})
    said = hear(mapped(rule), {"hall": {"line": "L3"}, "m": 4, "p": 1, "i": 1}, topic="in")
    assert said[0][0] == "L3/4 count"


def test_names_of_theirs_may_be_ours_in_other_words():
    rule = whole("count", take={**LOSING, "seq": "n"}, words={"Feeder 1": "F1", "P1": "Placer-1"})
    said = hear(mapped(rule), {"n": 1, "feeders": [{"pos": "Feeder 1", "picks": 1}]})
    assert said[0][0] == "L3/Placer-1 count"
    assert slots_of(said) == {"F1": {"placed": 1}}


def test_boards_are_panels_and_one_may_be_so_many():
    rule = whole(
        "count", take={"panels": "b", "placed": "n", "slot": "s", "seq": "i"}, each=4, units={"placed": 100}
    )
    ((_, said),) = hear(mapped(rule), {"b": 41, "n": 1.5, "s": "F1", "i": 1})
    assert said["panels"] == 10
    assert said["slots"] == {"F1": {"placed": 150}}


def test_deltas_mode_and_lane_go_along():
    rule = whole(
        "count",
        take={"panels": "p", "seq": "i", "mode": "m", "lane": "l"},
        words={"DRY": "dry"},
        counts="delta",
    )
    ((_, said),) = hear(mapped(rule), {"p": 1, "i": 3, "m": "DRY", "l": 2})
    assert said == {"seq": 3, "counts": "delta", "mode": "dry", "lane": 2, "panels": 1, "slots": {}}


@pytest.mark.parametrize(
    ("form", "ts"),
    [
        ("ms", MILLISECONDS),
        ("rfc3339", "2026-03-02T06:14:07Z"),
        ("%d.%m.%Y %H:%M:%S", "02.03.2026 07:14:07"),
    ],
)
def test_its_time_goes_along(form, ts):
    rule = whole("count", take={"panels": "p", "seq": "i", "at": "ts"}, time=form)
    ((_, said),) = hear(mapped(rule, timezone="Europe/Vienna"), {"p": 1, "i": 3, "ts": ts})
    assert said["at"] == "2026-03-02T06:14:07Z"


def test_totals_without_session_or_number_become_totals_of_our_own():
    """A number would else have to be guessed, and a restart, from each message alone."""
    translator = mapped(whole("count", take=LOSING | {"panels": "boards"}, each=4))
    first = hear(translator, {"boards": 400, "feeders": [{"pos": "F1", "picks": 1000, "rejects": 10}]})
    again = hear(translator, {"boards": 8, "feeders": [{"pos": "F1", "picks": 36, "rejects": 1}]}, at=T0 + 1)
    assert [said["slots"] for _, said in first + again] == [
        {"F1": {"placed": 0, "lost": 0}},
        {"F1": {"placed": 35, "lost": 1}},
    ]
    assert [said["panels"] for _, said in first + again] == [0, 2]
    assert first[0][1]["session"] == again[0][1]["session"]


def test_totals_of_our_own_say_the_mode_and_the_lane_too():
    """What a dry run counts is no consumption."""
    translator = mapped(whole("count", take={"slot": "s", "placed": "n", "mode": "m", "lane": "l"}))
    hear(translator, {"s": "F1", "n": 10})
    ((_, said),) = hear(translator, {"s": "F1", "n": 28, "m": "dry", "l": 2})
    assert (said["mode"], said["lane"], said["slots"]) == ("dry", 2, {"F1": {"placed": 18}})


def test_counts_of_one_station_from_several_rules_are_one_message():
    rules = (
        whole("count", take=LOSING),
        whole("count", take={"panels": "boards"}),
        single(PATTERN, "panel", value="sn"),
    )
    translator = mapped(*rules)
    document = {"boards": 0, "feeders": [{"pos": "F1", "picks": 0}], "sn": None}
    assert len(hear(translator, document)) == 1


def test_a_message_that_closes_a_panel_is_one():
    translator = mapped(whole("panel", take={"id": "serial"}))
    assert [said["panels"] for _, said in hear(translator, {"serial": "A1"})] == [0, 1]
    assert hear(translator, {"serial": "A1"}) == []
    assert [said["panels"] for _, said in hear(translator, {"serial": "A2"})] == [2]


def test_without_an_identity_each_message_is_a_panel_but_for_one_that_was_kept():
    translator = mapped(whole("panel"))
    assert hear(translator, {}, retained=True) == []
    assert [said["panels"] for _, said in hear(translator, {})] == [0, 1]
    assert [said["panels"] for _, said in hear(translator, {})] == [2]


def test_what_several_items_count_with_one_time_is_all_counted_and_a_repeat_of_them_is_not():
    take = {"slot": "pos", "picked": "n", "at": "$.ts"}
    translator = mapped(whole("count", items="done", take=take, counts="delta", time="ms"))
    document = {"ts": MILLISECONDS, "done": [{"pos": "F1", "n": 2}, {"pos": "F1", "n": 3}]}
    assert slots_of(hear(translator, document)) == {"F1": {"placed": 5}}
    assert hear(translator, document) == []


def test_panels_that_come_with_one_time_are_all_counted_and_a_repeat_of_them_is_not():
    translator = mapped(whole("panel", items="done", take={"id": "@", "at": "$.ts"}, time="ms"))
    document = {"ts": MILLISECONDS, "done": ["A1", "A2", "A1"]}
    assert hear(translator, document)[-1][1]["panels"] == 2
    assert hear(translator, document) == []
    (later,) = hear(translator, {"ts": MILLISECONDS + 1, "done": ["A2", "A3"]})
    assert later[1]["panels"] == 3


def test_deltas_that_the_broker_kept_count_nothing():
    translator = mapped(whole("count", take=LOSING, counts="delta"))
    assert hear(translator, {"feeders": [{"pos": "F1", "picks": 9}]}, retained=True) == []


# What else a message gives


def test_a_supply_is_what_happened_where_a_change_is_told():
    take = {
        "at": "ts",
        "slot": "pos",
        "change": "what",
        "part": "pn",
        "lot": "lot",
        "quantity": "kpcs",
        "by": "who",
    }
    rule = whole("supply", take=take, words={"spliced on": "joined"}, units={"quantity": 1000}, time="ms")
    document = {"ts": MILLISECONDS, "pos": "F1", "what": "spliced on", "pn": 4711, "kpcs": 2.5, "who": "Ines"}
    expected = {
        "at": "2026-03-02T06:14:07Z",
        "id": f"mes L3/P1/F1 joined {T0}",
        "slot": "F1",
        "change": "joined",
        "part": "4711",
        "quantity": 2500,
        "by": "Ines",
    }
    assert hear(mapped(rule), document) == [("L3/P1 supply", expected)]


def test_a_supply_is_what_is_there_where_no_change_is_told():
    translator = mapped(whole("supply", items="f", take={"slot": "p", "lot": "lot"}))
    first = hear(
        translator, {"f": [{"p": "F1", "lot": "A"}, {"p": "F2", "lot": "B"}, {"p": "F3", "lot": None}]}
    )
    assert [(said["slot"], said["change"], said["lot"]) for _, said in first] == [
        ("F1", "loaded", "A"),
        ("F2", "loaded", "B"),
    ]
    then = hear(translator, {"f": [{"p": "F1", "lot": "C"}, {"p": "F2", "lot": ""}]})
    assert [(said["slot"], said["change"]) for _, said in then] == [("F1", "loaded"), ("F2", "removed")]


def test_a_supply_that_the_broker_kept_wants_a_time_or_an_id():
    """Else it would be loaded again with every connection."""
    rule = whole(
        "supply", take={"slot": "s", "part": "p", "id": "i", "at": "t"}, say={"change": "loaded"}, time="ms"
    )
    translator = mapped(rule)
    assert hear(translator, {"s": "F1", "p": "R-10K"}, retained=True) == []
    assert len(hear(translator, {"s": "F1", "p": "R-10K"})) == 1
    assert len(hear(translator, {"s": "F1", "p": "R-10K", "i": 7}, retained=True)) == 1
    ((_, kept),) = hear(translator, {"s": "F1", "p": "R-10K", "t": MILLISECONDS}, retained=True)
    ((_, live),) = hear(translator, {"s": "F1", "p": "R-10K", "t": MILLISECONDS})
    assert kept["id"] == live["id"]


def test_an_item_says_nothing_that_only_its_surroundings_say():
    rule = whole("supply", items="f", take={"slot": "p", "lot": "lot", "part": "$.lot"})
    ((_, said),) = hear(mapped(rule), {"lot": "around", "f": [{"p": "F1"}]})
    assert "lot" not in said
    assert said["part"] == "around"


def test_what_was_loaded_is_said_before_what_was_counted():
    count = whole("count", take={"seq": "n", "slot": "s", "placed": "p"})
    translator = mapped(count, whole("supply", take={"slot": "s", "lot": "lot"}))
    said = hear(translator, {"n": 1, "s": "F1", "p": 5, "lot": "A"})
    assert [kind for kind, _ in said] == ["L3/P1 supply", "L3/P1 count"]


def test_a_recipe_is_said_once_and_again_when_it_rules_again():
    rule = whole("recipe", take={"recipe": "r", "slots": "s", "slot": "p", "usage": "n", "part": "pn"})
    translator = mapped(rule)

    def recipe(name: str) -> dict[str, Any]:
        return {"r": name, "s": [{"p": "F1", "n": 18, "pn": "R-10K"}, {"p": "T2", "n": "0.5"}]}

    expected = {"recipe": "top", "usage": {"F1": 18, "T2": 0.5}, "parts": {"F1": "R-10K"}}
    assert hear(translator, recipe("top")) == [("L3/P1 recipe", expected)]
    assert hear(translator, recipe("top")) == []
    assert len(hear(translator, recipe("bottom"))) == 1
    assert len(hear(translator, recipe("top"))) == 1


def test_a_recipe_that_cant_be_is_refused_each_time():
    translator = mapped(whole("recipe", take={"recipe": "r", "usage": "u"}))
    for _ in range(2):
        with pytest.raises(Misfit, match="`recipe` is missing"):
            translator.hear(TOPIC, b'{"u": {"F1": 1}}', at=T0)
        with pytest.raises(Misfit, match="more than one panel can use"):
            translator.hear(TOPIC, b'{"r": "x", "u": {"F1": 1e9}}', at=T0)
    assert translator.memory.take_changes() == {}


def test_orders_that_are_told_with_their_states_are_said_when_they_change():
    rule = whole(
        "order", items="jobs", take={"order": "id", "panels": "size", "state": "st", "recipe": "$.program"}
    )
    translator = mapped(rule)
    jobs = [{"id": 1, "size": 480, "st": "running"}, {"id": 2, "size": 100, "st": "queued"}]
    first = hear(translator, {"jobs": jobs, "program": "top"})
    assert first == [
        ("L3 order", {"order": "1", "state": "running", "recipe": "top", "panels": 480}),
        ("L3 order", {"order": "2", "state": "queued", "recipe": "top", "panels": 100}),
    ]
    assert hear(translator, {"jobs": jobs, "program": "top"}) == []


def test_an_order_without_a_state_is_the_one_that_is_made():
    translator = mapped(whole("order", take={"order": "job"}))
    assert hear(translator, {"job": "A"}) == [("L3 order", {"state": "running", "order": "A"})]
    assert hear(translator, {"job": "A"}) == []
    assert hear(translator, {"job": None}) == [("L3 order", {"order": "A", "state": "finished"})]


def test_a_tower_may_be_put_together_from_what_is_there():
    take = {"lamps": "{red: o[0], yellow: o[1]}", "buzzer": "horn"}
    rule = whole("tower", take=take, words={"B": "flashing", "-": "off"})
    said = hear(mapped(rule), {"o": ["-", "B"], "horn": False})
    assert said == [("L3/P1 tower", {"lamps": {"red": "off", "yellow": "flashing"}, "buzzer": "off"})]


def test_lamps_that_are_looked_at_are_steady_in_a_while():
    translator = mapped(whole("tower", take={"lamps": "out"}, bits={"0": "red"}))
    assert hear(translator, {"out": 1}) == []
    moment = translator.next_moment()
    assert moment is not None
    assert [json.loads(native.payload) for native in translator.look(moment)] == [{"lamps": {"red": "on"}}]


def test_a_link_is_said_when_it_changes():
    translator = mapped(whole("link", take={"state": "s"}, words={"ALIVE": "online"}))
    assert hear(translator, {"s": "ALIVE"}) == [("L3/P1 link", {"state": "online"})]
    assert hear(translator, {"s": True}) == []
    assert hear(translator, {"s": 0}) == [("L3/P1 link", {"state": "offline"})]


# Which rule means what


def test_one_topic_may_carry_several_kinds():
    rules = (
        whole("link", take={"state": "on"}, when="type == 'alive'"),
        whole("order", take={"order": "job"}, when="type == 'job'"),
    )
    translator = mapped(*rules)
    assert [kind for kind, _ in hear(translator, {"type": "job", "job": "A"})] == ["L3 order"]
    assert [kind for kind, _ in hear(translator, {"type": "alive", "on": 1})] == ["L3/P1 link"]
    assert hear(translator, {"type": "weather"}) == []


@pytest.mark.parametrize(
    ("held", "said"), [(0, 1), ("x", 1), ([], 0), ({}, 0), ("", 0), (False, 0), (None, 0)]
)
def test_a_condition_holds_as_in_jmespath(held, said):
    """JMESPath specification, "Or expressions": what is false; 0 isn't."""
    translator = mapped(whole("link", take={"state": "`true`"}, when="w"))
    assert len(hear(translator, {"w": held})) == said


def test_each_topic_is_subscribed_to_once():
    rules = (
        whole("link", take={"state": "s"}),
        whole("tower", take={"lamps": "l"}),
        single("plant/#", "order", fixed={"line": "L3"}),
    )
    assert mapped(*rules).filters == ("plant/#",)


def test_a_topic_that_no_rule_is_for_is_refused():
    with pytest.raises(Misfit, match="no rule is for the topic 'other'"):
        mapped(whole("panel")).hear("other", b"{}", at=T0)


# A topic with one value


@pytest.mark.parametrize(
    ("payload", "part"),
    [
        (b"R-10K", "R-10K"),
        (b'"R-10K"', "R-10K"),
        (b" R-10K\n", "R-10K"),
        (b"1E5", "1E5"),
        (b"0402", "0402"),
        (b"4711", "4711"),
        ("Ω-1".encode(), "Ω-1"),
    ],
)
def test_a_payload_may_be_the_text_itself(payload, part):
    ((_, said),) = hear(mapped(single("{line}/{station}/{slot}", "part")), payload, topic="L3/P1/F1")
    assert said["part"] == part


def test_a_payload_may_be_the_number_itself():
    translator = mapped(single("{line}/{station}/{slot}", "placed"))
    hear(translator, b"10", topic="L3/P1/F1")
    assert slots_of(hear(translator, b"12", topic="L3/P1/F1")) == {"F1": {"placed": 2}}


def test_the_value_and_its_time_may_lie_deeper():
    rule = single("{line}/{station}/{slot}", "placed", value="v.n", at="t", time="ms")
    translator = mapped(rule)
    hear(translator, {"v": {"n": 10}, "t": MILLISECONDS - 1000}, topic="L3/P1/F1")
    ((_, said),) = hear(translator, {"v": {"n": 11}, "t": MILLISECONDS}, topic="L3/P1/F1")
    assert said["at"] == "2026-03-02T06:14:07Z"
    assert hear(translator, {"v": {"n": 10}, "t": MILLISECONDS - 500}, topic="L3/P1/F1") == []


# What can't be used


@pytest.mark.parametrize(
    ("document", "why"),
    [
        (b"{", "the payload is no JSON"),
        (b"\xff", "the payload is no JSON"),
        (b"[" * 9000, "nested too deeply"),
        (b'{"feeders": NaN}', "the payload is no JSON"),
        ({"feeders": 7}, r"slots \(feeders\): 7 is neither a list nor an object"),
        ({"feeders": [{"picks": 1}]}, r"slots\[0\]: slot '' must be"),
        ({"feeders": [{"pos": "F 1", "picks": 1}]}, r"slots\[0\]: slot 'F 1'"),
        ({"feeders": [{"pos": "F1", "picks": -1}]}, "slot F1: -1 isn't from 0"),
        ({"feeders": [{"pos": "F1", "picks": "many"}]}, "slot F1: 'many' is no number"),
        ({"feeders": [{"pos": "F1", "picks": 1}, {"pos": "F1", "picks": 2}]}, "slot F1 comes twice"),
        ({"feeders": []}, "nothing in it is counted"),
        ({"ts": "noon", "feeders": [{"pos": "F1", "picks": 1}]}, r"at \(ts\): 'noon' is no time as rfc3339"),
        ({"feeders": [{"pos": " " * 300 + "F1", "picks": 1}]}, "has more than 256 characters"),
        ({"boards": True}, r"panels \(boards\): True is no number"),
    ],
)
def test_what_doesnt_fit_is_refused_with_its_place_and_nothing_is_remembered(document, why):
    translator = mapped(whole("count", take=LOSING | {"at": "ts", "panels": "boards"}), whole("panel"))
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    with pytest.raises(Misfit, match=why):
        translator.hear(TOPIC, payload, at=T0)
    assert translator.memory.take_changes() == {}


@pytest.mark.parametrize(
    ("rule", "why"),
    [
        (whole("count", take={"placed": "a["}), r"take\.placed: 'a\[' is no JMESPath expression"),
        (whole("panel", when="=="), "when: '==' is no JMESPath"),
        (whole("panel", items="("), "items: "),
        (single("{line}/{station}", "panel", value="a b"), "value: "),
        (whole("panel", take={"placed": "n"}), r"take\.placed: panel has no such part"),
        (whole("panel", topic="a/{line}"), "nothing says which station"),
        (whole("supply", take={"lot": "l"}), "nothing says which slot"),
        (whole("count", take={"lost": "l"}), "count needs panels or picked or placed"),
        (whole("tower", take={"lamps": "l"}, bits={"x": "red"}), "bits: 'x'"),
        (whole("link", take={"state": "l"}, counts="delta"), "counts: only a count"),
        (whole("count", take={"panels": "p", "seq": "s"}, counts="delta", each=4), "each: "),
        (whole("count", take={"panels": "p", "placed": "x"}, units={"placed": 0}), "units: "),
        (whole("panel", time="noon"), "no form of time"),
        (whole("count", take={"slots": "s", "placed": "$.n"}), r"take\.placed: it is looked for in each"),
        (whole("panel", topic="a/{line}/{station"), "pattern"),
    ],
)
def test_a_rule_that_cant_be_used_is_named_by_its_key(rule, why):
    with pytest.raises(ValueError, match=why):
        mapped(rule)


def test_counts_with_numbers_of_their_own_and_without_dont_go_together():
    with pytest.raises(ValueError, match="replace each other"):
        mapped(whole("count", take={"panels": "p", "seq": "s"}), whole("panel", topic="{line}/{station}"))


def test_an_explanation_says_what_was_looked_for_and_found():
    translator = mapped(whole("count", take=LOSING, when="feeders"))
    document = json.dumps({"feeders": [{"pos": "F1", "picks": 3}]}).encode()
    (told,) = translator.explain(TOPIC, document, at=T0)
    assert told.means_it
    assert told.refused is None
    assert ("slots[0].picked", "picks", 3) in told.steps
    assert ("slots[0].lost", "rejects", None) in told.steps
    assert ("station", "topic", "P1") in told.steps
    assert translator.memory.take_changes() == {}


# Any bytes

EVERYTHING = (
    whole("count", take=LOSING | {"at": "a", "panels": "b"}),
    whole("count", take={"placed": "c"}, units={"placed": 0.5}),
    whole("supply", items="i", take={"slot": "pos", "lot": "a", "quantity": "b", "kind": "c"}),
    whole("recipe", take={"recipe": "a", "usage": "c", "part": "b"}),
    whole("order", take={"order": "a", "state": "b"}),
    whole("tower", take={"lamps": "c", "buzzer": "a"}),
    whole("link", take={"state": "sort(c)[0]"}, when="length(c) > `0`"),
    whole("panel", take={"id": "max_by(i, &a)"}, when="i"),
    single(PATTERN, "lamps", value="b", bits={"0": "red"}),
    single(PATTERN, "order_panels"),
)
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(["F1", "", "12", "on", "\ud800"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["a", "b", "c", "i", "pos", "picks", "rejects", "feeders"]), inner, max_size=6
        )
    ),
    max_leaves=20,
)


@pytest.mark.parametrize("number", range(len(EVERYTHING)))
@settings(max_examples=60)
@given(payload=st.binary(max_size=40) | JSON.map(lambda data: json.dumps(data).encode()))
def test_any_bytes_give_messages_or_one_named_refusal(number, payload):
    translator = mapped(EVERYTHING[number])
    try:
        natives = translator.hear(TOPIC, payload, at=T0)
    except Misfit as misfit:
        assert str(misfit)  # noqa: PT017
        assert translator.memory.take_changes() == {}
        return
    for address, body in natives or ():
        read_message(address, body)
    translator.memory.take_changes()
    translator.look(T0 + 60 * SECOND)
