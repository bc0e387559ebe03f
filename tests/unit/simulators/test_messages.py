"""What the gateways of a simulated line say, against the words of the outside contract."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest

from service.domain.events import CountMessage, LinkMessage, OrderMessage, SupplyMessage, TowerMessage
from service.wire.native import read_message, read_topic
from simulators.events import Counted, OrderSet, RecipeSet, Stopped, Supplied, TowerShown
from simulators.messages import Gateway, Message
from tests.unit.simulators.shift import DEMO, every, said, stamp, work

(LINE,) = DEMO.lines
EVENTS = work(4)
MESSAGES = said(EVENTS)


def bodies(kind: str) -> list[dict[str, Any]]:
    return [json.loads(message.payload) for message in MESSAGES if message.kind == kind and message.payload]


def test_every_message_is_understood_as_what_it_says():
    """By the service's own decoder: what it refuses would be a message that does not fit."""
    for message in MESSAGES:
        if message.payload:
            address = read_topic(message.topic.encode(), "floor")
            read_message(address, message.payload)
            assert (address.kind, address.line) == (message.kind, "L3")
            assert address.station == message.station
            assert json.loads(message.payload)["at"]


def test_what_happened_is_in_the_message_as_it_happened():
    gateway = Gateway("L3", run="run", stamp=stamp)
    count = Counted(at=7.25, station="P1", panels=3, slots={"F01": (72, 1)})
    supply = next(each for each in every(Supplied, EVENTS) if each.slot == "T2")

    (counted,), (supplied,) = gateway.encode(count), gateway.encode(supply)

    assert (counted.topic, counted.retain) == ("floor/L3/P1/count", False)
    body = json.loads(counted.payload)
    assert body.pop("session")
    assert body == {
        "at": "2026-03-02T06:00:07.250Z",
        "seq": 1,
        "panels": 3,
        "slots": {"F01": {"placed": 72, "lost": 1}},
    }
    assert (supplied.topic, supplied.retain) == ("floor/L3/P2/supply", False)
    body = json.loads(supplied.payload)
    assert body.pop("id")
    assert body.pop("supply").startswith(supply.supply)
    assert body == {
        "at": "2026-03-02T06:00:00.000Z",
        "slot": "T2",
        "change": "loaded",
        "kind": "tray",
        "part": "PHY-LQFP100",
        "lot": supply.lot,
        "trays": 1,
        "quantity": 24,
        "by": supply.by,
    }


def test_what_rules_from_now_on_is_retained_and_what_happened_once_is_not():
    retained = {message.kind for message in MESSAGES if message.retain}
    passing = {message.kind for message in MESSAGES if not message.retain}

    assert (retained, passing) == ({"recipe", "order"}, {"count", "supply", "tower"})


@pytest.mark.parametrize("station", ["P1", "P2"])
def test_counts_are_numbered_without_a_gap_and_totals_never_fall(station: str):
    counts = [json.loads(m.payload) for m in MESSAGES if m.topic == f"floor/L3/{station}/count"]
    totals: dict[str, dict[str, int]] = defaultdict(lambda: {"placed": 0, "lost": 0})

    assert [count["seq"] for count in counts] == list(range(1, len(counts) + 1))
    assert len({count["session"] for count in counts}) == 1
    for before, after in pairwise(counts):
        assert after["panels"] >= before["panels"]
        for slot, now in after["slots"].items():
            assert all(now[key] >= totals[slot][key] for key in now)
            assert now != totals[slot], "a slot that did not change is not said"
            totals[slot] = now


def test_a_session_begins_with_every_slot_at_zero():
    for station in LINE.stations:
        first = next(
            c for c, m in zip(bodies("count"), _of("count"), strict=True) if m.station == station.station
        )
        assert first["slots"] == {slot.slot: {"placed": 0, "lost": 0} for slot in station.slots}


def _of(kind: str) -> list[Message]:
    return [message for message in MESSAGES if message.kind == kind]


def test_supply_ids_sessions_and_orders_of_two_runs_are_never_the_same():
    def names(run: str) -> set[str]:
        found = [json.loads(message.payload) for message in said(EVENTS, run) if message.payload]
        return {body[key] for body in found for key in ("id", "session", "order") if key in body}

    assert names("run 1") == names("run 1")
    assert not names("run 1") & names("run 2")


def test_the_running_recipe_is_active_and_no_other():
    active: dict[tuple[str, str], bool] = {}
    for message in MESSAGES:
        body = json.loads(message.payload or b"{}")
        if message.kind == "recipe":
            assert message.topic.endswith("/" + body["recipe"])
            active[str(message.station), body["recipe"]] = body["active"]
        if body.get("state") == "running":
            assert {key for key, is_active in active.items() if is_active} == {
                (station.station, body["recipe"]) for station in LINE.stations
            }


def test_alternates_are_named_together_and_their_usage_once():
    top = next(each for each in bodies("recipe") if each["alternates"])

    assert top["alternates"] == [["F02", "F03"]]
    assert top["usage"]["F02"] == 22
    assert "F03" not in top["usage"]
    assert top["parts"]["F02"] == top["parts"]["F03"]


def test_each_order_has_its_own_topic_which_is_cleared_once_it_is_history():
    states: dict[str, list[str]] = defaultdict(list)
    for message in MESSAGES:
        if message.kind == "order":
            name = message.topic.rsplit("/", 1)[1]
            states[name].append(json.loads(message.payload)["state"] if message.payload else "cleared")

    assert len(states) == len({each.number for each in every(OrderSet, EVENTS)})
    ended = [each for each in states.values() if "finished" in each]
    assert all(each == ["queued", "running", "finished", "cleared"] for each in ended[:-1])
    assert ended[-1] == ["queued", "running", "finished"]


def test_a_line_that_is_given_up_withdraws_its_orders_and_leaves_no_order_on_the_broker():
    gateway = Gateway("L3", run="run 1", stamp=stamp)
    retained = {m.topic: m for event in EVENTS for m in gateway.encode(event) if m.kind == "order"}
    still = {topic for topic, message in retained.items() if message.payload}

    farewell = gateway.farewell(99.0)

    withdrawn = {m.topic for m in farewell if m.payload and json.loads(m.payload)["state"] == "withdrawn"}
    last = {message.topic: message for message in farewell}
    assert len(withdrawn) == LINE.queued_ahead + 1
    assert last.keys() == still
    assert all(message.retain and not message.payload for message in last.values())


def test_a_tower_says_every_lamp_the_buzzer_and_its_slots():
    shown = every(TowerShown, EVENTS)

    for event, body in zip(shown, bodies("tower"), strict=True):
        tower = event.tower
        assert body["lamps"] == {"red": tower.red, "yellow": tower.yellow, "green": tower.green}
        assert (body["buzzer"], body["slots"]) == (tower.buzzer, list(tower.slots))


def test_a_gateway_never_says_what_it_is_silent_about():
    gateway = Gateway("L3", run="run", stamp=stamp, silent={"supply", "recipe", "order"})
    kinds = {message.kind for event in EVENTS for message in gateway.encode(event)}

    assert kinds == {"count", "tower"}
    assert gateway.farewell(99.0) == []


def test_a_supply_has_the_same_name_on_every_line_of_a_run_and_another_in_the_next():
    supply = next(each for each in every(Supplied, EVENTS) if each.slot == "T2")

    def name(line: str, run: str) -> str:
        (message,) = Gateway(line, run=run, stamp=stamp).encode(supply)
        return str(json.loads(message.payload)["supply"])

    assert name("L1", "run 1") == name("L2", "run 1") != name("L1", "run 2")


def test_a_late_supply_message_gives_the_moment_it_speaks_of():
    supply = replace(every(Supplied, EVENTS)[0], at=900.0, moment=600.0)
    (message,) = Gateway("L3", run="run", stamp=stamp).encode(supply)

    assert json.loads(message.payload)["at"] == stamp(600.0)


def test_a_link_is_retained_and_a_will_carries_no_time():
    gateway = Gateway("L3", run="run", stamp=stamp)

    online = gateway.link("P1", "online", at=stamp(0))
    will = gateway.link("P1", "offline")

    assert (online.topic, online.retain, will.retain) == ("floor/L3/P1/link", True, True)
    assert json.loads(online.payload) == {"at": "2026-03-02T06:00:00.000Z", "state": "online"}
    assert json.loads(will.payload) == {"state": "offline"}
    assert isinstance(read_message(read_topic(will.topic.encode(), "floor"), will.payload), LinkMessage)


def test_the_truth_is_not_told():
    stops = every(Stopped, EVENTS)
    gateway = Gateway("L3", run="run", stamp=stamp)

    assert stops
    assert [gateway.encode(stop) for stop in stops] == [[]] * len(stops)


def test_each_kind_is_decoded_as_its_own():
    kinds = {"count": CountMessage, "supply": SupplyMessage, "tower": TowerMessage, "order": OrderMessage}
    for kind, expected in kinds.items():
        message = next(each for each in _of(kind) if each.payload)
        assert type(read_message(read_topic(message.topic.encode(), "floor"), message.payload)) is expected
    assert every(RecipeSet, EVENTS)


def test_a_wrong_clock_is_wrong_by_the_same_in_every_message():
    ahead = {"P1": 90.0, "P2": -3600.0, None: 90.0}
    wrong = Gateway("L3", run="run 1", stamp=stamp, ahead=ahead)

    for right, lying in zip(MESSAGES, (each for e in EVENTS for each in wrong.encode(e)), strict=True):
        assert (right.topic, right.retain) == (lying.topic, lying.retain)
        then, now = (json.loads(each.payload or b"{}") for each in (right, lying))
        if "at" in then:
            shift = datetime.fromisoformat(now.pop("at")) - datetime.fromisoformat(then.pop("at"))
            assert shift == timedelta(seconds=ahead[right.station])
        assert then == now
