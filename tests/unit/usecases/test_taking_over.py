"""Two gateways that watch one machine: whichever counts, restarts, falls silent or comes back, no placement
is counted twice, and none is lost that the one which counts has said."""

from __future__ import annotations

import random
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

import msgspec
import pytest

from service.domain.events import GatewayReport
from service.domain.gateways import HANDOVER
from service.domain.model import SECOND, Instant, to_rfc3339
from service.domain.state import SlotState, StationState
from service.domain.world import World
from service.usecases.batch import Ask, Committed, Inbound
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.usecases.on_trial import Unkept
from service.wire.native import Address
from service.wire.own import NativeTranslator
from tests.support.story import START

LATER = HANDOVER + SECOND
PER_PANEL = 3


@dataclass
class Gateway:
    """What one of them has said: its session began when ``zero`` panels were made, ``said`` were by its last
    message."""

    name: str
    counts: str = "total"
    session: int = 1
    zero: int = 0
    said: int = 0
    seq: int = 0

    def restart(self, made: int) -> None:
        self.session, self.zero, self.said, self.seq = self.session + 1, made, made, 0


class Machine:
    """One machine, what was truly placed there, and the world that hears of it from two gateways."""

    def __init__(self, **counts: str) -> None:
        self.now: Instant = START
        self.made = 0
        self.gateways = {name: Gateway(name, counts.get(name, "total")) for name in "ab"}
        self.ledger = Unkept()
        self.ingest = Ingest(
            world=World(),
            ledger=self.ledger,
            committed={},
            position=0,
            last_at=0,
            clock=lambda: self.now,
            root="floor",
            sources=Gateways({name: NativeTranslator(name) for name in "ab"}),
        )

    def later(self, passed: Instant) -> None:
        self.now += passed

    def make(self, panels: int) -> None:
        self.later(20 * SECOND * panels)
        self.made += panels

    def say(self, name: str, **more: Any) -> Committed:
        one = self.gateways[name]
        panels = self.made - (one.zero if one.counts == "total" else one.said)
        one.said, one.seq = self.made, one.seq + 1
        slots = {"F1": {"placed": panels * PER_PANEL, "lost": 0}}
        body = {"at": to_rfc3339(self.now), "session": str(one.session), "seq": one.seq, "panels": panels,
                "counts": one.counts, "slots": slots} | more  # fmt: skip
        return self.hear(name, "L3/P1/count", body)

    def hear(self, name: str, topic: str, body: dict[str, Any]) -> Committed:
        self.later(1)
        topic = f"{name}/{topic}" if name else f"floor/{topic}"
        return self.ingest.take([Inbound(topic.encode(), msgspec.json.encode(body), False, (1, 1), name)])

    def report(self, name: str, state: Any) -> None:
        report = GatewayReport(source=name, state=state, since=self.now)
        self.later(1)
        self.ingest.take([Ask(Address("gateway", "", None), report, msgspec.json.encode(report), Future())])

    @property
    def station(self) -> StationState:
        return self.ingest.world.stations["L3", "P1"]

    @property
    def slot(self) -> SlotState:
        return self.station.slots["F1"]

    @property
    def used(self) -> tuple[int, int]:
        """Panels, and parts of the slot."""
        return self.station.progress, self.slot.used


def test_only_one_counts_and_the_other_is_refused_with_its_name():
    machine = Machine()
    machine.say("a")
    machine.make(5)
    machine.say("a")
    machine.say("b")
    assert machine.used == (5, 15)
    assert list(machine.ledger.refused) == ["L3/P1 is counted by source 'a': two would count twice"]


def test_after_ten_minutes_another_takes_over_and_its_first_totals_are_a_baseline():
    machine = Machine()
    machine.say("a")
    machine.make(5)
    machine.say("a")
    machine.later(LATER)
    machine.say("b")
    assert machine.used == (5, 15)
    machine.make(2)
    machine.say("b")
    assert machine.used == (7, 21)
    assert machine.station.source.name == "b"


def test_one_that_is_known_to_be_silent_is_replaced_at_once():
    machine = Machine()
    machine.say("a")
    machine.make(5)
    machine.say("a")
    machine.report("a", "silent")
    machine.make(1)
    machine.say("b")
    machine.make(1)
    machine.say("b")
    assert machine.used == (6, 18), "the panel that neither had said is nobody's"


def test_one_that_is_not_configured_any_more_is_replaced_at_once():
    machine = Machine()
    machine.say("a")
    machine.make(5)
    machine.say("a")
    machine.ingest.sources = Gateways({"b": NativeTranslator("b")})
    machine.say("b")
    machine.make(2)
    machine.say("b")
    assert machine.used == (7, 21)


def test_the_first_difference_of_one_that_takes_over_may_hold_what_the_other_said():
    machine = Machine(b="delta")
    machine.say("b")
    machine.later(LATER)
    machine.say("a")
    machine.make(5)
    machine.say("a")
    machine.later(LATER)
    machine.say("b")
    assert machine.used == (5, 15)
    machine.make(2)
    machine.say("b")
    assert machine.used == (7, 21)


def test_a_session_of_one_is_none_of_the_other_by_the_same_name():
    machine = Machine()
    machine.say("a")
    machine.gateways["a"].restart(machine.made)
    machine.say("a")
    machine.later(LATER)
    machine.say("b", session="1")
    machine.make(4)
    machine.say("b", session="1")
    assert machine.used == (4, 12)


def test_holes_of_the_one_before_stay_doubt_and_the_other_is_not_asked_for_them():
    machine = Machine(a="delta")
    machine.say("a")
    machine.gateways["a"].seq += 3
    machine.make(1)
    machine.say("a")
    assert machine.station.holes
    doubt = machine.slot.missing
    machine.later(LATER)
    machine.say("b")
    assert not machine.station.holes
    assert machine.station.given_up
    assert machine.slot.missing == doubt > 0


def test_that_the_link_of_the_one_before_is_gone_says_nothing_of_the_other():
    machine = Machine()
    machine.say("a")
    machine.hear("a", "L3/P1/link", {"at": to_rfc3339(machine.now), "state": "offline"})
    machine.later(LATER)
    machine.say("b")
    assert machine.station.link is None


def test_an_order_goes_on_where_another_counts():
    machine = Machine()
    machine.say("a")
    machine.hear("", "L3/order", {"order": "A", "recipe": "R1", "panels": 100, "state": "running"})
    machine.make(5)
    machine.say("a")
    before = machine.station.order_done
    machine.later(LATER)
    machine.say("b")
    machine.make(3)
    machine.say("b")
    assert (machine.station.order, machine.station.order_done) == ("A", before + 3)


class Truth:
    """What should be counted: of the one that counts, what was made between two of its messages."""

    def __init__(self) -> None:
        self.counting: str | None = None
        self.session = 0
        self.said = self.panels = 0
        self.at: Instant = 0
        self.silent: set[str] = set()

    def hear(self, one: Gateway, made: int, now: Instant) -> None:
        if one.name != self.counting:
            free = self.counting in self.silent or now - self.at >= HANDOVER
            if self.counting is not None and not free:
                return
            # A difference counts from the very first message of a station, but not where another counted.
            if self.counting is None and one.counts == "delta":
                self.panels += made - one.said
            self.counting = one.name
        elif one.counts == "total":
            self.panels += made - (self.said if one.session == self.session else one.zero)
        else:
            self.panels += made - one.said
        self.session, self.said, self.at = one.session, made, now


def _days() -> Iterator[Any]:
    for seed in range(60):
        chance = random.Random(seed)
        kinds = {name: chance.choice(["total", "total", "delta"]) for name in "ab"}
        yield pytest.param(chance, kinds, id=f"day {seed}")


@pytest.mark.parametrize(("chance", "kinds"), list(_days()))
def test_on_any_day_what_is_counted_is_what_the_one_that_counts_has_said(
    chance: random.Random, kinds: dict[str, str]
):
    machine, truth = Machine(**kinds), Truth()
    for _ in range(120):
        name = chance.choice("ab")
        one = machine.gateways[name]
        match chance.choice(["make", "make", "say", "say", "say", "restart", "wait", "silent"]):
            case "make":
                machine.make(chance.randrange(1, 6))
            case "say":
                truth.hear(one, machine.made, machine.now)
                machine.say(name)
                if name in truth.silent:
                    truth.silent.discard(name)
                    machine.report(name, "well")
            case "restart":
                one.restart(machine.made)
            case "wait":
                machine.later(chance.choice([60, 300, 700]) * SECOND)
            case "silent":
                truth.silent.add(name)
                machine.report(name, "silent")
        if truth.counting is not None:
            assert machine.used == (truth.panels, truth.panels * PER_PANEL)
            assert truth.panels <= machine.made
