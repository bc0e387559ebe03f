"""What dies comes back exact; what doesn't fit changes nothing and is listed."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any

from tests.support.factory import Factory

PANELS = 625
SLOTS = 8
LEFT = {f"T{slot}": left for slot, left in enumerate((2, 3, 8, 40, 100, 200, 300, 1000))}


def count(panel: int, slot: int) -> tuple[str, dict[str, Any]]:
    """One of eight slots of one panel; the panel total comes with the last."""
    body: dict[str, Any] = {
        "session": "s",
        "seq": (panel - 1) * SLOTS + slot + 2,
        "slots": {f"T{slot}": {"placed": panel, "lost": 0}},
    }
    return "L1/P1/count", body | {"panels": panel if slot == SLOTS - 1 else panel - 1}


def test_killed_amid_five_thousand_counts_the_remaining_is_exact_and_each_notice_told_once(
    factory: Factory,
) -> None:
    slots = dict.fromkeys(LEFT, 1)
    factory.gateway.send("L1/P1/recipe", recipe="r", usage=slots)
    first = {slot: {"placed": 0, "lost": 0} for slot in slots}
    factory.gateway.send("L1/P1/count", session="s", seq=1, panels=0, slots=first)
    for slot, left in LEFT.items():
        factory.gateway.send(
            "L1/P1/supply", id=slot, slot=slot, change="loaded", kind="tray", quantity=PANELS + left
        )
    factory.until(lambda: factory.slot("L1", "T7").get("remaining"), "supplies never arrived")
    messages = [count(panel, slot) for panel in range(1, PANELS + 1) for slot in range(SLOTS)]
    kills = random.Random(5).sample(range(500, len(messages) - 500), 3)
    begin = 0
    for kill in [*sorted(kills), len(messages)]:
        factory.gateway.send_all(messages[begin:kill])
        begin = kill
        if kill < len(messages):
            factory.program.kill()
            factory.program.start()
    factory.program.wait_ready(factory.url)
    factory.until_counted("L1", "T7", seq=PANELS * SLOTS + 1)

    assert {slot: factory.slot("L1", slot)["remaining"]["book"] for slot in LEFT} == LEFT
    notices = factory.get("/notices", limit=1000)
    levels = {notice["slot"]: notice["level"] for notice in notices}
    assert levels == {"T0": "urgent", "T1": "urgent", "T2": "early"}
    expected = {
        (notice["id"], level)
        for notice in notices
        for level in ("early", "urgent")
        if level in ("early", notice["level"])
    }
    factory.until(lambda: {key for key, _ in _told(factory)} >= expected, "a notice was not delivered")
    deliveries = _told(factory)
    assert {key for key, _ in deliveries} == expected
    # A repeat after a kill comes under the id of the first; nothing is told under two.
    assert len({key for key, _ in deliveries}) == len(set(deliveries))


def _told(factory: Factory) -> list[tuple[tuple[str, str], str]]:
    return [
        ((event["data"]["id"], event["data"]["level"]), event["id"])
        for event in factory.told()
        if event["data"]["state"] != "closed"
    ]


GARBAGE: list[Callable[[int], bytes]] = [
    lambda n: b"not json %d" % n,
    lambda n: b'{"slots": {"T2": {"placed": "%d"}}}' % n,
    lambda n: b'{"slots": {"T2": {"placed": NaN}}, "n": %d}' % n,
    lambda n: b'{"slots": {"T2": {"placed": 1%s}}}' % (b"0" * 30 + b"%d" % n),
    lambda n: b'{"slots": ' + b"[" * (2000 + n) + b"]" * (2000 + n) + b"}",
    lambda n: b'{"slots": {"T2": {"placed": 1}}, "n": "\xff%d"}' % n,
    lambda n: b'{"slots": {"T2": {"placed": true}}, "n": %d}' % n,
    lambda n: b'{"slots": {"T2": {"placed": -%d}}}' % (n + 1),
    lambda n: b'{"slots": {"T 2/%d": {"placed": 1}}}' % n,
    lambda n: b'{"slots": {"T2": {"placed": 3.0}}, "n": %d}' % n,
]


def test_a_thousand_garbage_messages_change_nothing_and_are_all_listed(factory: Factory) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    factory.gateway.send("L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=500)
    before = factory.until(
        lambda: factory.slot("L3", "T2").get("remaining") and factory.slot("L3", "T2"), "-"
    )
    for number in range(990):
        factory.gateway.send_raw("floor/L3/P1/count", GARBAGE[number % len(GARBAGE)](number))
    for number in range(10):
        factory.gateway.send_raw("floor/L3/P1/count", b'{"n": %d, "x": "' % number + b"x" * 2**20 + b'"}')
    factory.gateway.send("L3/P1/count", session="a", seq=2, panels=1, slots={"T2": {"placed": 1}})
    after = factory.until_counted("L3", "T2", seq=2)
    assert after["remaining"]["book"] == before["remaining"]["book"] - 1

    listed = factory.get("/refused", limit=1000)
    assert sum(row["times"] for row in listed) == 1000
    assert all(row["reason"] and row["topic"] == "floor/L3/P1/count" for row in listed)
    assert any("bytes" in row["reason"] for row in listed)
    (line,) = factory.get("/lines")
    assert [station["station"] for station in line["stations"]] == ["P1"]
    assert [slot["slot"] for slot in factory.get("/lines/L3/slots")] == ["T2"]
    pages = [factory.get("/refused", limit=400)]
    while pages[-1]:
        pages.append(factory.get("/refused", limit=400, after=pages[-1][-1]["id"]))
    assert [row for page in pages for row in page] == listed


def test_a_broker_that_comes_back_is_found_again_and_nothing_is_missing(factory: Factory) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    factory.gateway.send("L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=500)
    factory.until_counted("L3", "T2", seq=1)
    factory.broker.stop()
    factory.until(lambda: factory.api.get("/../../readyz").status_code == 503, "ready without a broker")
    factory.broker.start()
    factory.program.wait_ready(factory.url)
    factory.gateway.send("L3/P1/count", session="a", seq=2, panels=30, slots={"T2": {"placed": 30}})
    assert factory.until_counted("L3", "T2", seq=2)["remaining"]["book"] == 470


def test_it_stops_in_time_with_a_stream_open_and_goes_on_where_it_was(factory: Factory) -> None:
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    factory.gateway.send("L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=500)
    factory.until_counted("L3", "T2", seq=1)
    with factory.api.stream("GET", "/stream") as stream:
        assert stream.status_code == 200
        assert factory.program.stop(timeout=8.0) == 0
    factory.program.start()
    factory.program.wait_ready(factory.url)
    factory.gateway.send("L3/P1/count", session="a", seq=2, panels=1, slots={"T2": {"placed": 1}})
    assert factory.until_counted("L3", "T2", seq=2)["remaining"]["book"] == 499


def test_the_journal_is_one_cloud_event_a_line_beginning_with_the_state(factory: Factory) -> None:
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    factory.gateway.send("L3/P1/supply", id="1", slot="T2", change="loaded", quantity=500)
    factory.until(lambda: factory.slot("L3", "T2").get("remaining"), "the supply never arrived")
    lines = [json.loads(line) for line in factory.api.get("/events").text.splitlines()]
    assert lines[0]["type"] == "earlybell.state"
    assert [line["type"] for line in lines[1:]][-2:] == ["earlybell.floor.count", "earlybell.floor.supply"]
    assert all(line["specversion"] == "1.0" and line["source"] and line["id"] for line in lines)
