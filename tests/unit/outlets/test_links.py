"""What the links in messages carry, and that a message never waits for it."""

from __future__ import annotations

import asyncio
from threading import Event

import msgspec

from service.outlets.links import Links
from service.ports import StoreError
from tests.support.notices import LOW

PAGE = f"https://bell.example/notice/{LOW.id}"


def test_a_link_carries_its_key_where_servers_do_not_see_it() -> None:
    asked: list[tuple[str, str]] = []

    def key(notice: str, outlet: str) -> str:
        asked.append((notice, outlet))
        return "el_x"

    assert asyncio.run(Links("https://bell.example/", "line-2", key).to(LOW)) == f"{PAGE}#key=el_x"
    assert asked == [(LOW.id, "line-2")]


def test_where_nobody_needs_a_key_the_link_is_plain() -> None:
    assert asyncio.run(Links("https://bell.example", "line-2", None).to(LOW)) == PAGE
    assert asyncio.run(Links("https://bell.example", "line-2", lambda *_: None).to(LOW)) == PAGE


def test_nothing_is_opened_by_the_message_that_a_notice_is_closed() -> None:
    closed = msgspec.structs.replace(LOW, state="closed")
    assert asyncio.run(Links("https://bell.example", "line-2", lambda *_: "el_x").to(closed)) == PAGE


def test_an_address_nobody_configured_gives_no_link() -> None:
    assert asyncio.run(Links("", "line-2", lambda *_: "el_x").to(LOW)) is None


def test_a_store_that_is_away_or_slow_costs_the_key_and_not_the_message() -> None:
    def away(*_: str) -> str:
        raise StoreError("down")

    assert asyncio.run(Links("https://bell.example", "line-2", away).to(LOW)) == PAGE
    done = Event()

    async def in_time() -> str | None:
        slow = Links("https://bell.example", "line-2", lambda *_: str(done.wait(30)), patience=0.05)
        link = await slow.to(LOW)
        done.set()
        return link

    assert asyncio.run(in_time()) == PAGE
