"""A stream ends with what opened it, and one session can't take all of them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import httpx
import pytest

from service.access import end_token
from service.access.allowances import OPEN_STREAM
from service.web.stream import MOST_EACH, Hub, HubFullError
from tests.support.access import Entrance
from tests.support.floor import plant, served
from tests.support.wait import eventually

STREAM = "/api/v1/stream"


def test_one_session_holds_a_quarter_of_the_streams_at_most() -> None:
    async def fill() -> None:
        hub = Hub()
        for _ in range(MOST_EACH):
            hub.join(line=None, last_id=None, holder="a")
        with pytest.raises(HubFullError, match="you have 50 pages"):
            hub.join(line=None, last_id=None, holder="a")
        hub.join(line=None, last_id=None, holder="b")
        hub.join(line=None, last_id=None)

    asyncio.run(fill())


def test_who_is_dismissed_is_heard_no_more_and_others_are() -> None:
    async def listen() -> None:
        hub = Hub(ping_seconds=30)
        listeners = [hub.join(line=None, last_id=None, holder=holder) for holder in ("a", "a", "b", None)]
        hub.dismiss("a")
        hub.dismiss(listeners[3])
        assert [listener.dismissed for listener in listeners] == [True, True, False, True]
        hub.publish("notice", b'{"line":"L3"}')
        heard = [piece async for piece in hub.frames(listeners[0])]
        assert len(heard) == 1  # its opening
        frames = hub.frames(listeners[2])
        assert b"L3" in [await anext(frames), await anext(frames)][1]

    asyncio.run(listen())


def _end_its_token(entrance: Entrance) -> None:
    end_token(entrance.keyring, "wall", now=entrance.now)


def _expire_it(entrance: Entrance) -> None:
    entrance.wait(24 * 3600)


@pytest.mark.parametrize("end", [_end_its_token, _expire_it])
def test_a_stream_ends_when_its_token_does(end: Callable[[Entrance], None]) -> None:
    hub, entrance = Hub(), Entrance()
    secret = entrance.token("wall", "read", days=1)
    app, _ = plant(hub, door=entrance.door, public_url=None, session_check_seconds=0.1)
    headers = {"authorization": f"Bearer {secret}"}
    with served(app, hub) as address, httpx.Client(base_url=address, trust_env=False, timeout=10) as client:
        with client.stream("GET", STREAM, headers=headers) as stream:
            lines = stream.iter_lines()
            assert next(lines) == ": live"
            end(entrance)
            for _ in lines:
                pass  # until it ends; a stream that goes on runs into the client's patience
        eventually(lambda: hub.listening == 0, timeout=5, message="it still listens")
        assert client.get(STREAM, headers=headers).status_code == 401


def test_a_stream_that_was_open_to_all_ends_when_it_no_longer_is() -> None:
    hub, entrance = Hub(), Entrance(open_here=True)
    app, _ = plant(hub, door=entrance.door, public_url=None, session_check_seconds=0.1)
    with served(app, hub) as address, httpx.Client(base_url=address, trust_env=False, timeout=10) as client:
        with client.stream("GET", STREAM) as stream:
            lines = stream.iter_lines()
            assert next(lines) == ": live"
            entrance.token("gate", "read")
            entrance.wait(2)
            for _ in lines:
                pass
        assert client.get(STREAM).status_code == 401


def test_opening_streams_has_a_pace() -> None:
    hub, entrance = Hub(), Entrance()
    headers = {"authorization": f"Bearer {entrance.token('wall', 'read')}"}
    app, _ = plant(hub, door=entrance.door, public_url=None)
    hub.close()  # refused at once: each try counts all the same
    with served(app, hub) as address, httpx.Client(base_url=address, trust_env=False) as client:
        codes = [client.get(STREAM, headers=headers).status_code for _ in range(OPEN_STREAM.burst + 1)]
    assert codes == [503] * OPEN_STREAM.burst + [429]
