"""What is heard at a broker nobody explained: gathered in little room, understood as far as it goes."""

from __future__ import annotations

import json
from time import process_time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.model import SECOND
from service.usecases.overheard import Overheard, as_object, draft_of, lines
from service.usecases.overheard.alike import Varying, alike
from service.usecases.overheard.gather import Heard
from service.usecases.overheard.guess import Guess
from service.usecases.overheard.spots import naming_field
from service.usecases.overheard.tell import guesses
from service.usecases.overheard.track import Track, time_form
from service.usecases.overheard.words import lamp_of, meaning_of, words_in
from tests.support.story import START


def listen(*said: tuple[str, Any], every: float = 1.0, overheard: Overheard | None = None) -> Heard:
    """What is known after these messages, ``every`` seconds apart."""
    heard = overheard or Overheard()
    for number, (topic, body) in enumerate(said):
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        heard.hear(topic.encode(), payload, START + round(number * every * SECOND))
    return heard.heard


def meanings(heard: Heard, dialect: str = "mapped") -> dict[str, str | None]:
    return {shown(each): each.means for each in guesses(heard)[dialect]}


def shown(each: Guess) -> str:
    captures = iter(each.whose)
    return "/".join(
        f"{{{next(captures)}}}" if isinstance(step, Varying) else step.text for step in each.found.pattern
    )


def track(*contents: object, every: float = 1.0) -> Track:
    made = Track()
    for number, content in enumerate(contents):
        made.take(content, START + round(number * every * SECOND))
    return made


# How values behave


def test_a_counter_only_rises_and_may_begin_anew():
    assert track(10, 12, 12, 18).only_rises
    assert track(10, 120, 190, 260, 3, 9).only_rises
    assert track("9007199254740990", "9007199254740993").only_rises
    assert not track(10, 8, 12).only_rises
    assert not track(0, 1, 0, 1, 0, 1).only_rises
    assert not track(1.5, 2.5).only_rises


def test_what_was_seen_is_said_in_words():
    assert track(*range(18_756, 18_775, 2), every=6).evidence() == "rises only, 18 756 → 18 774 in 54 s"
    assert track("on", "on").evidence() == "always on in 1 s"
    assert track(5).evidence() == "heard once: 5"
    assert track(None, None).evidence() == "never has a value"


@pytest.mark.parametrize("rate", [0.4, 0.8, 1.4, 2.8])
def test_a_lamp_is_seen_to_flash_at_the_rates_of_the_standard(rate):
    """The flash rates of IEC 60073: 0.4 to 0.8 Hz and 1.4 to 2.8 Hz."""
    seen = track(*([0, 1] * 6), every=1 / rate / 2)

    assert seen.blinks == pytest.approx(rate, rel=0.01)
    assert track(*([0, 1] * 6), every=10.0).blinks is None
    assert track(*([0, 1, 2] * 6), every=1 / rate / 2).blinks is None


def test_the_forms_of_a_time_are_told_apart():
    now = START // SECOND
    assert time_form("2026-03-02T06:14:07.250Z", START) == "rfc3339"
    assert time_form("2026-03-02 06:14:07", START) == "local"
    assert time_form(now, START) == "unix_s"
    assert time_form(now * 1000, START) == "unix_ms"
    assert time_form(str(now * 1_000_000), START) == "unix_us"
    assert time_form(4182, START) is None
    assert time_form("F07", START) is None


# What names may mean


def test_names_are_taken_apart_into_words():
    assert words_in("PlacedTotal_F07") == ("placed", "total", "f", "07")
    assert words_in("partsPickedOK") == ("parts", "picked", "ok")
    assert words_in("Bestückt") == ("bestueckt",)


@pytest.mark.parametrize(
    ("called", "means"),
    [
        (["feeders", "placed"], "placed"),
        (["PlacementErrors"], "lost"),
        (["Bestückungen"], "placed"),
        (["Ausschuss"], "lost"),
        (["Leiterplatten"], "panels"),
        (["pickCount"], "picked"),
        (["placed", "value"], "placed"),
        (["Job", "Panels"], "order_panels"),
        (["job_state"], "order_state"),
        (["placed", "temperature"], None),
        (["Feeders"], None),
    ],
)
def test_words_of_the_trade_say_what_a_value_may_be(called, means):
    """Common words of the trade in English and German; no source."""
    assert meaning_of(called) == means


def test_lamps_are_known_by_their_colours_in_both_languages():
    assert [lamp_of(each) for each in ("red", "Gelb", "tower_green", "GN", "Hupe", "title")] == [
        "red",
        "yellow",
        "green",
        "green",
        "buzzer",
        None,
    ]


# Which values are the same thing of several slots


def test_lines_stations_and_slots_are_found_in_topics_and_arrays():
    said = [
        (f"hall/{line}/{station}/counters", {"boards": n, "feeders": [{"pos": slot, "placed": 4 * n}]})
        for n in range(5)
        for line in ("L3", "L4")
        for station in ("P1", "P2")
        for slot in ("F07", "F08")
    ]

    found = meanings(listen(*said))

    assert found["hall/{line}/{station}/counters/boards"] == "panels"
    assert found["hall/{line}/{station}/counters/feeders/{slot}/placed"] == "placed"


def test_names_without_a_digit_are_found_because_they_lead_to_the_same():
    said = [
        (f"hall/{station}/{what}", n)
        for n in range(5)
        for station in ("left", "right")
        for what in ("placed", "lost")
    ]

    found = alike(listen(*said).series["mapped"])

    assert [(len(each.pattern), sorted(each.members)) for each in found] == [
        (3, [("left",), ("right",)]),
        (3, [("left",), ("right",)]),
    ]


def test_slots_below_a_counting_word_need_no_digits():
    said = [
        ("hall/L3/P1/now", {"placed": {"north": n, "south": 2 * n}, "lost": {"north": 0, "south": 1}})
        for n in range(5)
    ]

    assert meanings(listen(*said)) == {
        "hall/{line}/{station}/now/placed/{slot}": "placed",
        "hall/{line}/{station}/now/lost/{slot}": "lost",
    }


def test_arrays_go_by_the_field_that_names_their_elements():
    assert (
        naming_field([{"no": 1, "slot": "F07", "placed": 3}, {"no": 2, "slot": "F08", "placed": 5}]) == "slot"
    )
    assert naming_field([{"count": 3, "where": "F07"}, {"count": 5, "where": "F08"}]) == "where"
    assert naming_field([{"count": 3}, {"count": 3}]) is None
    assert naming_field([{"a": "x", "b": "1"}, {"a": "y", "b": "2"}], "b") == "b"


def test_a_blinking_lamp_is_one():
    said = [(f"hall/L3/P1/lamp/{lamp}", n % 2) for n in range(20) for lamp in ("red", "green")]

    (found,) = guesses(listen(*said, every=0.5))["mapped"]

    assert (found.means, found.whose) == ("lamp", ("line", "station", "lamp"))
    assert "0.5 Hz" in found.doubt


# The standards


def test_our_own_contract_is_known_under_any_root():
    count = {"session": "a", "seq": 1, "slots": {"F07": {"placed": 3}}}
    tower = {"lamps": {"red": "on"}}

    heard = listen(("works/hall/L3/P1/count", count), ("works/hall/L3/P1/tower", tower))

    assert heard.names["native"] == {"works/hall": 2}
    assert "mapped" not in heard.series


def test_what_only_looks_like_our_contract_is_taken_as_values():
    heard = listen(("hall/L3/P1/count", {"placed": 3}), ("hall/L3/P1/tower", {"red": 1}))

    assert "native" not in heard.names
    assert len(heard.series["mapped"]) == 2


def test_cfx_is_known_by_its_envelope():
    """IPC-2591: the envelope names its message."""
    heard = listen(("any/topic", {"MessageName": "CFX.Heartbeat", "Version": "1.7", "MessageBody": {}}))

    assert heard.names["cfx"] == {"CFX.Heartbeat": 1}


@pytest.mark.parametrize(
    "message",
    [
        {"MessageType": "ua-data", "Messages": [{"DataSetWriterId": 1, "Payload": {"F7_Placed": 18}}]},
        {
            "MessageType": "ua-data",
            "Messages": {"DataSetWriterId": 1, "Payload": {"F7_Placed": {"Value": 18}}},
        },
        [{"DataSetWriterId": "w", "Payload": {"F7_Placed": {"Type": 7, "Body": 18}}}],
        {"DataSetWriterId": 1, "SequenceNumber": 4, "Payload": {"F7_Placed": "18"}},
        {"F7_Placed": {"Value": 18, "SourceTimestamp": "2026-03-02T06:14:07Z"}},
        {"F7_Placed": {"Type": 7, "Body": 18}},
    ],
)
def test_opc_ua_is_known_with_and_without_its_headers(message):
    """OPC 10000-14, 7.2.5: the headers may be left out; the three encodings of a field."""
    (found,) = guesses(listen(("any/topic/L3/P1", message)))["opcua"]

    assert found.means == "placed"
    assert found.whose[-1] == "slot"


def test_what_we_say_ourselves_is_left_out():
    heard = listen(("bell/L3/P1/F07/forecast", {"book": 3}), overheard=Overheard(own_root="bell"))

    assert heard.topics["bell/L3/P1/F07/forecast"].dialects == {"ours"}
    assert heard.series == {}


# Any bytes, and little room


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.binary(max_size=30), st.sampled_from((b"spBv1.0/g/NDATA/n", b"a/b/count", b"a/b"))),
            st.one_of(
                st.binary(max_size=60),
                st.recursive(
                    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
                    lambda inner: (
                        st.lists(inner, max_size=3)
                        | st.dictionaries(
                            st.sampled_from(
                                ("Payload", "Messages", "slots", "placed", "MessageName", "Value")
                            )
                            | st.text(max_size=4),
                            inner,
                            max_size=3,
                        )
                    ),
                    max_leaves=8,
                ).map(lambda value: json.dumps(value).encode("utf-8", "replace")),
            ),
            st.booleans(),
        ),
        max_size=6,
    )
)
def test_any_bytes_are_taken_note_of(said):
    overheard = Overheard()
    for number, (topic, payload, retained) in enumerate(said):
        overheard.hear(topic, payload, START + number, retained=retained)

    assert overheard.heard.messages == len(said)
    assert json.loads(json.dumps(as_object(overheard.heard)))["messages"] == len(said)
    assert "".join(lines(as_object(overheard.heard)))
    assert isinstance(draft_of(overheard.heard), str)


def test_room_is_bounded_and_what_was_left_out_is_said():
    overheard = Overheard(most_topics=50, most_spots=80)
    said = [(f"hall/L{number}/x", {"a": number, "b": [1, 2, {"c": "x" * 5000}]}) for number in range(200)]

    heard = listen(*said, overheard=overheard)

    assert len(heard.topics) == 50
    assert 40 < sum(map(len, heard.series.values())) <= 80
    assert heard.cut["messages on further topics"] == 150
    assert heard.cut["further values"] > 0
    assert any("left out" in line for line in lines(as_object(heard)))


def test_topics_of_nothing_but_levels_are_shown_too():
    heard = listen(("/" * 1000, 1), ("a/" * 400, 2), ("spBv1.0/" + "/" * 900, b"x"))

    assert sum(each.get("topics", 0) for each in as_object(heard)["topics"]) == 3


def test_very_many_names_that_have_nothing_in_common_are_gathered_soon():
    """Comparing each with each would take ten seconds and more."""
    said = [
        (
            "hall/x",
            {word(each): {word(each + 20_000): 1, word(each + 40_000): 2} for each in range(n, n + 900)},
        )
        for n in range(0, 6300, 900)
    ]

    heard = listen(*said)

    began = process_time()
    assert alike(heard.series["mapped"])
    assert process_time() - began < 4


def word(number: int) -> str:
    return "".join(chr(ord("g") + int(digit)) for digit in str(number)) + "x"


def test_a_password_that_is_said_is_shown_to_nobody():
    body = {"placed": 3, "password": "hunter2", "api_key": {"now": "hunter2"}, "all": [{"token": "hunter2"}]}

    heard = listen(("hall/L3/P1/F07", body), ("hall/L3/wifi/Passwort", "hunter2"))

    assert "hunter2" not in json.dumps(as_object(heard)) + draft_of(heard)
    assert "password: heard once: hidden" in draft_of(heard)


def test_of_more_than_can_be_read_each_topic_is_read_now_and_then():
    overheard = Overheard()
    said = [("hall/L3/P1/loud", {"placed": n, "about": "x" * 1000}) for n in range(3000)]
    said[2000] = said[2001] = ("hall/L3/P2/quiet", {"placed": 3})

    heard = listen(*said, overheard=overheard, every=0.0001)

    loud, quiet = heard.topics["hall/L3/P1/loud"], heard.topics["hall/L3/P2/quiet"]
    assert (loud.messages, quiet.messages) == (2998, 2)
    assert 100 < loud.shapes["JSON object"] < 500
    assert quiet.shapes["JSON object"] == 1
    left = 3000 - sum(each.shapes["JSON object"] for each in (loud, quiet))
    assert any(
        f"only counted: too many came at once ({left} times)" in line for line in lines(as_object(heard))
    )


def test_rates_are_of_the_time_that_was_listened():
    overheard = Overheard()
    listen(("hall/x", 1), ("hall/x", 2), overheard=overheard)
    overheard.listened(60, START + 40 * SECOND)

    found = as_object(overheard.heard)

    assert found["seconds"] == 60
    assert [each["per_minute"] for each in found["topics"] if "per_minute" in each] == [2]


def test_a_value_keeps_a_handful_of_words_and_no_long_text():
    seen = track(*(f"{number}" + "x" * 1000 for number in range(100)))

    assert len(seen.words) == 9
    assert seen.many
    assert max(map(len, [*seen.words, str(seen.first)])) <= 80
