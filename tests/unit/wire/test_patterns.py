"""Patterns of topics and names: what they capture, which MQTT filter hears them, what is no pattern."""

from __future__ import annotations

import time

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from service.wire.patterns import Pattern, constants, fewest

LEVELS = st.lists(st.sampled_from(["a", "b", "x-1", "", "Ä"]), min_size=1, max_size=5)


@pytest.mark.parametrize(
    ("pattern", "text", "found"),
    [
        ("plant/{line}/{station}/counts", "plant/L3/P1/counts", {"line": "L3", "station": "P1"}),
        ("plant/{line}/counts", "plant/L3/P1/counts", None),
        ("plant/{line}", "plant/", None),
        ("Feeders/{slot}/Placed", "Feeders/F07/Placed", {"slot": "F07"}),
        ("{line}-gateway", "L3-gateway", {"line": "L3"}),
        ("Feeder_{slot}/Placed", "Feeder_7/Placed", {"slot": "7"}),
        ("{line}-{station}", "L3-P-1", {"line": "L3", "station": "P-1"}),
        ("a/+/{slot}", "a/anything/F1", {"slot": "F1"}),
        ("a/#", "a", {}),
        ("a/#", "a/b/c", {}),
        ("a/#", "ab", None),
        ("#", "a/b", {}),
        ("a.b/(c)", "a.b/(c)", {}),
        ("a.b", "axb", None),
        ("ü/{slot}", "ü/Fß", {"slot": "Fß"}),
        ("{slot}", "\ud800", None),
    ],
)
def test_captures_stand_for_a_level_or_a_part_of_one(pattern, text, found):
    assert Pattern(pattern).match(text) == found


@pytest.mark.parametrize(
    "pattern", ["a/{line", "a/}", "{Line}", "{}", "{a}{b}", "{line}/{line}", "a+/b", "a/#/b", "a#"]
)
def test_what_is_no_pattern_is_named(pattern):
    with pytest.raises(ValueError, match=r"pattern"):
        Pattern(pattern)


@given(LEVELS, LEVELS)
@example(["a"], ["a", ""])
def test_the_filter_hears_whatever_the_pattern_matches(levels, topic):
    """Against paho's reading of filters (MQTT 3.1.1, 4.7)."""
    pattern = Pattern("/".join([*levels[:-1], "{slot}"]))
    text = "/".join(topic)
    if pattern.match(text) is not None:
        assert topic_matches_sub(pattern.filter, text)


@given(st.lists(st.lists(st.sampled_from(["a", "b", "+"]), min_size=1, max_size=3), min_size=1), LEVELS)
def test_the_fewest_filters_hear_the_same(filters, topic):
    """Against paho's reading of filters."""
    all_filters = ["/".join(each) for each in filters] + ["a/#"]
    text = "/".join(topic)
    kept = fewest(all_filters)
    assert set(kept) <= set(all_filters)
    assert any(topic_matches_sub(each, text) for each in kept) == any(
        topic_matches_sub(each, text) for each in all_filters
    )
    assert not [one for one in kept if one != "a/#" and topic_matches_sub("a/#", one)]


def test_a_long_hostile_topic_takes_no_long_time():
    began = time.perf_counter()
    assert Pattern("{line}-{station}-{slot}-x").match("-" * 65_535) is None
    assert time.perf_counter() - began < 1


def test_constants_are_names():
    assert constants({"line": "A\u0308", "lamp": "any thing"}) == {"line": "Ä", "lamp": "any thing"}
    with pytest.raises(ValueError, match="station"):
        constants({"station": "P 1"})
