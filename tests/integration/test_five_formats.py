"""One simulated shift in five formats: the same is booked, and the same is told within a panel.

The simulated gateways are an implementation of each format by itself, made from the events of a line; nothing
of the service is in them. The other side is the same shift in our own format, with no fault on its way.

What a format lacks is left out of the other side too, because nobody can hear it:

=========  ===========================================================================================
mapped     (this gateway) alternates; which slots a tower means; lamps are looked at as they burn, so one
           that is lit for less than some seconds isn't seen
values     (one topic each) as mapped; orders that only wait and recipes that are only announced, parts and
           boards of a recipe; a splice comes as a supply that holds what both do. A payload without a time
           can't be told late from counted anew: late messages are left to the order of MQTT's topics
sparkplug  as values, but towers are told at once, and nothing hangs on the order of messages
opcua      as sparkplug
cfx        orders and recipes, so usage is learned; and as panels and parts come in messages of their own,
           there is always one that isn't of a panel yet, which moves a notice by a second panel. A lost
           consumption is made up by the quantity that remains; a lost ``WorkCompleted`` is a panel that
           nobody tells of, and isn't lost here
=========  ===========================================================================================

No format makes up for a count that is lost or late beside an exchange: how much of it the supply before gave
is in no other message. Those are spared (``tests.support.said_in``).
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import pytest

from service.settings import Settings
from service.wire.gateway import Translator
from simulators.dialects import SPEAKERS
from simulators.plan import GatewayPlan
from simulators.scenario import Scenario, load_scenario, shipped
from tests.support.said_in import Lack, Outcome, Shift, Told, hear, shift_of, without

WIRE = GatewayPlan(lose=0.03, reorder=0.03, window=2, repeat=0.05, skew=-40.0)
IN_ORDER = replace(WIRE, reorder=0.0)
RESTARTS = GatewayPlan(restart=0.01, repeat=0.05, skew=100.0)
HOURS = 1.2
BRIEF = 8.0
"""Seconds: a worse level that is over sooner may not be seen by who looks at lamps."""


class Format(NamedTuple):
    """``within``: panels by which a notice may differ. ``looks``: its lamps are only looked at."""

    lacks: tuple[Lack, ...] = ()
    wire: GatewayPlan = WIRE
    within: int = 1
    looks: bool = False


VALUES: tuple[Lack, ...] = (
    "queued orders",
    "announced recipes",
    "alternates",
    "parts of recipes",
    "splices",
    "slots of towers",
)
FORMATS = {
    "native": Format(),
    "mapped": Format(lacks=("alternates", "slots of towers"), looks=True),
    "values": Format(lacks=VALUES, wire=IN_ORDER, looks=True),
    "sparkplug": Format(lacks=VALUES),
    "opcua": Format(lacks=VALUES),
    "cfx": Format(lacks=("orders", "recipes"), within=2),
}


@pytest.mark.parametrize("speak", FORMATS)
@pytest.mark.parametrize(("name", "seed"), [("demo", 1), ("two-lines-by-day", 2)])
def test_a_shift_is_booked_and_told_alike_where_messages_are_lost_late_and_doubled(
    speak: str, name: str, seed: int
):
    a_format = FORMATS[speak]
    found = said(name, seed, a_format.wire, speak)

    same(our_own(name, seed, a_format.lacks), found, a_format)


@pytest.mark.parametrize("speak", FORMATS)
@pytest.mark.parametrize(("name", "seed"), [("demo", 3), ("two-lines-by-day", 4)])
def test_a_shift_is_booked_and_told_alike_where_gateways_start_anew(speak: str, name: str, seed: int):
    a_format = FORMATS[speak]
    found = said(name, seed, RESTARTS, speak)

    same(our_own(name, seed, a_format.lacks), found, a_format)


def same(ours: Outcome, found: Outcome, a_format: Format) -> None:
    assert found.refused == {}
    assert found.panels == ours.panels
    assert found.book == ours.book
    assert None not in ours.book.values()
    assert sum(map(len, ours.told.values())) > 20
    for slot in {*ours.told, *found.told}:
        brief = BRIEF if a_format.looks else 0.0
        assert alike(ours.told[slot], found.told[slot], a_format.within, brief), (
            ours.told[slot],
            found.told[slot],
        )


def alike(ours: list[Told], found: list[Told], within: int, brief: float) -> bool:
    """The same in the same order; what was over within ``brief`` seconds may be missing."""
    left = list(found)
    for told, after in zip(ours, [*ours[1:], None], strict=True):
        if left and what(told) == what(left[0]) and abs(told.panels - left[0].panels) <= within:
            del left[0]
        elif after is None or after.second - told.second >= brief:
            return False
    return not left


def what(told: Told) -> str:
    return told.change if told.change == "closed" else f"{told.change} {told.level}"


def said(name: str, seed: int, faults: GatewayPlan, speak: str) -> Outcome:
    scenario, shift = plant(name, seed)
    return hear(replace(scenario, gateways=faults), shift, speak, translator(speak), seed=seed)


@cache
def our_own(name: str, seed: int, lacks: tuple[Lack, ...]) -> Outcome:
    """In our own format, undisturbed."""
    scenario, shift = plant(name, seed)
    scenario = replace(scenario, gateways=GatewayPlan())
    return hear(scenario, without(shift, lacks), "native", None, seed=seed)


@cache
def plant(name: str, seed: int) -> tuple[Scenario, Shift]:
    scenario = load_scenario(shipped()[name])
    return scenario, shift_of(scenario, seed, HOURS)


def translator(speak: str) -> Translator | None:
    """By the settings that stand beside the dialect."""
    if speak == "native":
        return None
    (source,) = Settings.model_validate(
        tomllib.loads(SPEAKERS[speak].source.replace("ROOT", "floor"))
    ).sources
    return source.translator("UTC")
