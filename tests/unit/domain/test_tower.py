"""What a signal tower says.

The meaning of the colours is that of IEC 60204-1, 10.3.2: red emergency, yellow abnormal, green normal, blue
mandatory, white neutral. Which abnormal condition yellow stands for is common practice (no source), and so a
line may name rules of its own.
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from service.domain.events import TowerMessage
from service.domain.policy import Policy, TowerRule, tower_rule
from service.domain.tower import Reading, read
from tests.support.story import Story


def reading(rule: TowerRule | None = None, *, buzzer: Any = "off", **lamps: Any) -> Reading:
    return read(msgspec.convert({"lamps": lamps, "buzzer": buzzer}, TowerMessage), rule or TowerRule())


@pytest.mark.parametrize(
    ("lamps", "buzzer", "meaning"),
    [
        ({"yellow": "flashing"}, "off", Reading.LOW),
        ({"yellow": "flashing", "green": "on"}, "off", Reading.LOW),
        ({"yellow": "flashing"}, "on", Reading.OUT),
        ({"yellow": "flashing"}, "flashing", Reading.OUT),
        ({"yellow": "flashing", "green": "on"}, "on", Reading.OUT),
        ({"red": "on"}, "off", Reading.FAULT),
        ({"red": "flashing"}, "off", Reading.FAULT),
        ({"red": "on"}, "on", Reading.FAULT),
        ({"red": "on", "green": "on"}, "off", Reading.FAULT),
        ({"green": "on"}, "off", Reading.RUNNING),
        ({"green": "on", "yellow": "on"}, "off", Reading.RUNNING),
        ({"green": "flashing"}, "off", Reading.NONE),
        ({"yellow": "on"}, "off", Reading.NONE),
        ({"blue": "flashing"}, "off", Reading.NONE),
        ({"white": "on"}, "off", Reading.NONE),
        ({}, "off", Reading.NONE),
    ],
)
def test_the_default_reading(lamps, buzzer, meaning):
    """Red is an emergency, yellow abnormal, green normal (IEC 60204-1, 10.3.2)."""
    assert reading(buzzer=buzzer, **lamps) is meaning


def test_both_lamps_red_and_yellow_flashing_are_a_fault_while_a_supply_runs_low():
    """Red outranks yellow (IEC 60204-1, 10.3.2)."""
    assert reading(red="on", yellow="flashing") is Reading.FAULT


def test_the_buzzer_alone_says_nothing():
    assert reading(buzzer="on") is Reading.NONE


def test_blue_asks_for_an_action_but_a_colour_alone_never_says_that_a_slot_is_empty():
    """Blue is mandatory: a condition that requires operator action (IEC 60204-1, 10.3.2)."""
    story = Story()
    story.tower("T2", blue="flashing", buzzer="on")
    assert story.told == []


def test_a_line_may_name_other_rules_and_the_rest_stays_as_it_is():
    rule = TowerRule(line="L3", out={"red": ["on"], "buzzer": ["on"]}, low={"blue": ["on", "flashing"]})
    assert reading(rule, red="on", buzzer="on") is Reading.OUT
    assert reading(rule, red="on") is Reading.FAULT
    assert reading(rule, blue="on") is Reading.LOW
    assert reading(rule, yellow="flashing", buzzer="on") is Reading.NONE
    assert reading(rule, green="on") is Reading.RUNNING


def test_a_rule_without_lamps_never_holds():
    assert reading(TowerRule(running={}), green="on") is Reading.NONE


def test_the_most_specific_rule_for_a_line_is_in_force():
    rules = [TowerRule(line="L*"), TowerRule(line="L3", low={"white": ["on"]}), TowerRule()]
    policy = Policy(towers=rules)
    assert tower_rule(policy, "L3").low == {"white": ["on"]}
    assert tower_rule(policy, "L4").line == "L*"
    assert tower_rule(policy, "X") == TowerRule()


def test_the_rule_of_the_line_decides_what_is_told():
    story = Story(Policy(towers=[TowerRule(line="L3", out={"red": ["on"]})]))
    assert story.words(story.tower("T2", red="on")) == ["opened empty"]


def test_a_low_signal_opens_no_notice_where_the_quantity_is_known():
    story = Story()
    story.load("T2", 160)
    assert story.tower("T2", yellow="flashing") == []
    assert story.slot("T2").low_since is not None


def test_a_low_signal_is_told_where_nothing_else_is_known_of_the_slot():
    story = Story()
    told = story.tower("T2", yellow="flashing") or []
    assert story.words(told) == ["opened early"]
    assert "runs low, how soon is not known" in told[0].notice.message
    assert story.tower("T2", yellow="flashing") == [], "said again it is no news"
    story.load("T2", 160)
    assert story.words()[-1] == "closed refilled"


def test_the_station_keeps_lamps_and_since_when_the_reading_lasts():
    story = Story()
    story.green()
    since = story.now
    story.later(60)
    story.tower(green="on", white="on")
    signal = story.station().tower
    assert signal is not None
    assert (signal.reading, signal.since, signal.lamps) == ("running", since, {"green": "on", "white": "on"})
    story.later(60)
    story.out("T2", ago=5)
    signal = story.station().tower
    assert signal is not None
    assert (signal.reading, signal.slots, signal.since) == ("out", ["T2"], story.now)


def test_the_link_keeps_since_when_it_is_what_it_is():
    story = Story()
    story.say("L3/P1/link", {"state": "online"})
    since = story.now
    story.later(60).say("L3/P1/link", {"state": "online"}, retained=True)
    assert (story.station().link, story.station().link_since) == ("online", since)
    story.say("L3/P1/link", {"state": "offline"})
    assert (story.station().link, story.station().link_since) == ("offline", story.now)
