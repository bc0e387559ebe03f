"""The hub alone, then the stream as a browser gets it: from a real server over a real socket."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from threading import Thread
from typing import Any

import httpx
import msgspec
import pytest
from starlette.types import Message

from service.web.stream import Hub, HubFullError, LiveResponse
from tests.support.floor import Floor, plant, served
from tests.support.wait import eventually


@dataclass(frozen=True, slots=True)
class Event:
    id: int
    name: str | None
    data: Any
    comment: str | None


def parse(block: str) -> Event:
    fields: dict[str, str] = {}
    for line in block.split("\n"):
        name, _, value = line.partition(": ")
        fields[name or "comment"] = value
    data = json.loads(fields["data"]) if "data" in fields else None
    return Event(int(fields["id"]), fields.get("event"), data, fields.get("comment"))


def numbered(number: int, line: str | None = "L3") -> bytes:
    return msgspec.json.encode({"line": line, "number": number})


def publish(hub: Hub, count: int) -> None:
    for number in range(count):
        hub.publish("forecast", numbered(number))


# The hub alone


def listening(hub: Hub, publish: Callable[[], None], *, most: int, **options: Any) -> list[Event]:
    """What a listener gets: its opening, then what ``publish`` causes, until ``most`` events or the end."""

    async def listen() -> list[Event]:
        listener = hub.join(**{"line": None, "last_id": None} | options)
        got: list[Event] = []
        async with asyncio.timeout(10):
            async for burst in hub.frames(listener):
                if not got:
                    publish()
                got += [parse(block) for block in burst.decode().split("\n\n") if block]
                if len(got) >= most:
                    break
        hub.leave(listener)
        return got

    return asyncio.run(listen())


def test_what_is_published_arrives_in_order_with_growing_ids() -> None:
    hub = Hub()
    opening, *events = listening(hub, lambda: publish(hub, 5), most=6)
    assert opening.comment == "live"
    assert [event.data["number"] for event in events] == [0, 1, 2, 3, 4]
    assert [event.id for event in events] == list(range(opening.id + 1, opening.id + 6))


def test_a_listener_of_one_line_hears_that_line_and_what_belongs_to_none() -> None:
    hub = Hub()

    def publish_for_all() -> None:
        for number, line in enumerate(["L3", "L4", None, "", "L3"]):
            hub.publish("notice", numbered(number, line))

    _, *events = listening(hub, publish_for_all, most=5, line="L3")
    assert [event.data["number"] for event in events] == [0, 2, 3, 4]


def test_a_listener_that_comes_back_gets_what_it_missed() -> None:
    hub = Hub()
    opening, first, *_ = listening(hub, lambda: hub.publish("forecast", numbered(0)), most=2)
    hub.publish("forecast", numbered(1))
    hub.publish("forecast", numbered(2))
    _, *events = listening(hub, lambda: None, most=3, last_id=str(first.id))
    assert [event.data["number"] for event in events] == [1, 2]
    assert opening.id == first.id - 1


@pytest.mark.parametrize("last_id", ["", "7", "newest", "-1", "9" * 19, "9" * 30, "１２"])
def test_an_id_that_is_too_old_unknown_or_nonsense_leads_to_resync(last_id: str) -> None:
    hub = Hub()
    opening, event = listening(hub, lambda: None, most=2, last_id=last_id)
    assert (event.name, event.id) == ("resync", opening.id)


def test_after_a_resync_the_stream_goes_on() -> None:
    hub = Hub()

    def publish_after_the_resync() -> None:
        asyncio.get_running_loop().call_later(0.01, hub.publish, "forecast", numbered(1))

    _, resync, event = listening(hub, publish_after_the_resync, most=3, last_id="7")
    assert (resync.name, event.name) == ("resync", "forecast")


def test_the_ring_is_bounded_and_what_fell_out_of_it_is_a_resync() -> None:
    hub = Hub(kept=8)
    opening, *_ = listening(hub, lambda: None, most=1)
    publish(hub, 9)
    _, event = listening(hub, lambda: None, most=2, last_id=str(opening.id))
    assert event.name == "resync"


def test_a_listener_that_falls_too_far_behind_is_told_and_let_go() -> None:
    hub = Hub(lag=10)
    names = [event.name for event in listening(hub, lambda: publish(hub, 11), most=99)]
    assert names == [None, "resync"]


def test_a_quiet_stream_pings_and_keeps_its_place() -> None:
    hub = Hub(ping_seconds=0.02)
    opening, ping, *_ = listening(hub, lambda: None, most=3)
    assert (ping.comment, ping.id) == ("ping", opening.id)


def test_a_new_run_never_gives_an_id_of_an_earlier_one_again() -> None:
    earlier = Hub()
    publish(earlier, 1000)
    opening, *_ = listening(earlier, lambda: None, most=1)
    later, *_ = listening(Hub(), lambda: None, most=1)
    assert later.id > opening.id - 1000


def test_closing_ends_every_stream_and_lets_nobody_in() -> None:
    hub = Hub()
    assert [event.comment for event in listening(hub, hub.close, most=99)] == ["live"]
    with pytest.raises(HubFullError):
        listening(hub, lambda: None, most=1)


def test_many_threads_may_publish_at_once() -> None:
    hub = Hub()
    threads = [Thread(target=publish, args=(hub, 250)) for _ in range(4)]

    def run() -> None:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    _, *events = listening(hub, run, most=1001)
    assert [event.id for event in events] == list(range(events[0].id, events[0].id + 1000))


def test_a_listener_that_does_not_read_at_all_loses_its_place() -> None:
    hub = Hub()

    async def never(message: Message) -> None:
        await asyncio.Event().wait()

    async def listen() -> None:
        async with asyncio.timeout(5):
            await LiveResponse(hub.frames(hub.join(line=None, last_id=None)), patience=0.02).stream_response(
                never
            )

    asyncio.run(listen())


# Over a real socket


@pytest.fixture
def hub() -> Hub:
    return Hub()


@pytest.fixture
def site(hub: Hub) -> Iterator[tuple[str, Floor]]:
    app, floor = plant(hub)
    with served(app, hub) as address:
        yield address, floor


@contextmanager
def stream(address: str, query: str = "", **headers: str) -> Iterator[Iterator[Event]]:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    with httpx.stream("GET", f"{address}/api/v1/stream{query}", headers=named, timeout=5) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["x-accel-buffering"] == "no"
        assert answer.headers["cache-control"] == "no-store"
        assert "content-encoding" not in answer.headers
        yield _events(answer)


def _events(answer: httpx.Response) -> Iterator[Event]:
    block: list[str] = []
    for line in answer.iter_lines():
        if line:
            block.append(line)
        elif block:
            yield parse("\n".join(block))
            block = []


def test_a_changed_forecast_and_a_notice_arrive(site: tuple[str, Floor]) -> None:
    address, floor = site
    with stream(address) as events:
        opening = next(events)
        floor.place("P1", "F07").left = 36
        floor.warn("P1", "F07", level="urgent")
        floor.run()
        assert (notice := next(events)).name == "notice"
        assert (notice.data["id"], notice.data["level"]) == ("n-L3-P1-F07", "urgent")
        assert (forecast := next(events)).name == "forecast"
        assert forecast.data["panels_to_empty"]["p50"] == 1
        assert opening.id < notice.id < forecast.id


def test_a_browser_that_comes_back_names_its_last_event_and_gets_the_rest(site: tuple[str, Floor]) -> None:
    address, floor = site
    with stream(address, "?line=L3") as events:
        last = next(events).id
    floor.warn("P1", "F07", level="urgent")
    with stream(address, "?line=L3", last_event_id=str(last)) as events:
        next(events)
        assert next(events).data["level"] == "urgent"
    with stream(address, last_event_id="12") as events:
        next(events)
        assert next(events).name == "resync"


def test_beyond_the_most_listeners_the_answer_is_503() -> None:
    hub = Hub(listeners=2)
    app, _ = plant(hub)
    with served(app, hub) as address, ExitStack() as stack:
        open_streams = [stack.enter_context(stream(address)) for _ in range(2)]
        assert [next(events).comment for events in open_streams] == ["live", "live"]
        refused = httpx.get(f"{address}/api/v1/stream")
        assert (refused.status_code, refused.headers["retry-after"]) == (503, "2")
        assert "listening" in refused.json()["detail"]
        assert httpx.get(f"{address}/api/v1/lines").status_code == 200


def test_a_listener_that_leaves_frees_its_place(site: tuple[str, Floor], hub: Hub) -> None:
    with stream(site[0]) as events:
        next(events)
        assert hub.listening == 1
    eventually(lambda: hub.listening == 0, message="the listener was not forgotten")


def test_open_streams_do_not_hold_up_the_end() -> None:
    hub = Hub()
    app, _ = plant(hub)
    with ExitStack() as streams:
        with served(app, hub) as address:
            ends = [streams.enter_context(stream(address)) for _ in range(3)]
            for events in ends:
                next(events)
            began = time.monotonic()
        took = time.monotonic() - began
        assert [list(events) for events in ends] == [[], [], []]
    assert took < 1.5  # the server's own patience is 3 s


def test_a_slow_reader_is_told_to_start_over_and_holds_nobody_up() -> None:
    hub = Hub(kept=1024, lag=512)
    app, _ = plant(hub)
    with served(app, hub) as address, stream(address) as brisk:
        next(brisk)
        with _reader(address) as slow:
            eventually(lambda: hub.listening == 2, message="both listen")
            for number in range(4000):  # 32 MB: more than any socket buffer on the way takes
                hub.publish("forecast", msgspec.json.encode({"number": number, "ballast": "x" * 8000}))
                if number % 500 == 499:
                    while next(brisk).data["number"] != number:
                        pass
            assert b"event: resync" in _all_of(slow)[-200:]


@contextmanager
def _reader(address: str) -> Iterator[socket.socket]:
    """A client that asks for the stream and then doesn't read."""
    host, port = address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=10) as connection:
        connection.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: x\r\n\r\n")
        yield connection


def _all_of(connection: socket.socket) -> bytes:
    tail = b""
    while piece := connection.recv(65536):
        tail = (tail + piece)[-4096:]
        if tail.endswith(b"0\r\n\r\n"):
            break
    return tail


def test_a_long_journal_is_read_only_as_fast_as_it_is_taken(site: tuple[str, Floor]) -> None:
    address, floor = site
    floor.journal = 1_000_000  # 100 MB
    with httpx.stream("GET", f"{address}/api/v1/events", headers={"accept-encoding": "identity"}) as answer:
        assert next(answer.iter_lines())
        eventually(lambda: _stands_still(lambda: floor.journal_read), message="it was read on and on")
    assert floor.journal_read < floor.journal / 2


def _stands_still(value: Callable[[], int]) -> bool:
    before, until = value(), time.monotonic() + 0.2
    while time.monotonic() < until:
        if value() != before:
            return False
    return True
