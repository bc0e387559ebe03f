"""A webhook's signature, checked by an implementation that isn't ours, at the receiver's end."""

from __future__ import annotations

import asyncio
import base64
import json
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook
from standardwebhooks.webhooks import WebhookVerificationError

from service.domain.model import SECOND, from_datetime
from service.outlets.webhook import WebhookOutlet
from service.ports import Delivered
from tests.support.hostile import HOSTILE
from tests.support.notices import delivery, notice
from tests.support.receivers import HttpReceiver, Request

OLD = "whsec_" + base64.b64encode(b"the old one of 24 bytes.").decode()
NEW = "whsec_" + base64.b64encode(b"the new one of 24 bytes.").decode()
OTHER = "whsec_" + base64.b64encode(b"nobody's, also 24 bytes.").decode()


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


def told(receiver: HttpReceiver, *secrets: str, part: str = "MCU-48Q", ago: int = 0) -> Request:
    outlet = WebhookOutlet("hook", receiver.url, site="", secrets=secrets)
    now = from_datetime(datetime.now(UTC)) - ago * SECOND

    async def once() -> None:
        assert await outlet.send(delivery(notice=notice(part=part)), now=now) == Delivered()
        await outlet.close()

    asyncio.run(once())
    return receiver.wait_for(1)[-1]


def is_good(got: Request, secret: str, *, body: bytes | None = None, **headers: str) -> bool:
    """What the other implementation says of it, with something changed on the way."""
    changed = dict(got.headers) | {f"webhook-{name}": value for name, value in headers.items()}
    try:
        Webhook(secret).verify(got.body if body is None else body, changed)
    except WebhookVerificationError:
        return False
    return True


def test_what_was_sent_is_good_and_every_change_of_it_is_not(receiver: HttpReceiver) -> None:
    got = told(receiver, NEW)
    assert is_good(got, NEW)
    assert not is_good(got, OTHER)
    assert not is_good(got, NEW, body=got.body.replace(b"MCU-48Q", b"MCU-48R"))
    assert not is_good(got, NEW, body=json.dumps(got.json).encode())
    assert not is_good(got, NEW, id="n7c1:2:hook")
    assert not is_good(got, NEW, timestamp=str(int(got.headers["webhook-timestamp"]) - 1))
    assert not is_good(got, NEW, signature=got.headers["webhook-signature"].replace("v1,", "v1,A"))
    assert not is_good(got, NEW, signature="")


def test_what_is_old_is_refused_by_its_own_time(receiver: HttpReceiver) -> None:
    assert not is_good(told(receiver, NEW, ago=600), NEW)


def test_while_a_secret_changes_both_sign_and_the_new_one_comes_first(receiver: HttpReceiver) -> None:
    got = told(receiver, NEW, OLD)
    first, second = got.headers["webhook-signature"].split(" ")
    assert is_good(got, NEW)
    assert is_good(got, OLD)
    assert is_good(got, NEW, signature=first)
    assert is_good(got, OLD, signature=second)
    assert not is_good(got, NEW, signature=second)
    assert not is_good(got, OTHER)


def test_when_the_old_secret_is_gone_it_is_worth_nothing(receiver: HttpReceiver) -> None:
    assert not is_good(told(receiver, NEW), OLD)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=list(HOSTILE))
def test_whatever_text_is_in_it_the_very_bytes_that_were_sent_are_signed(
    receiver: HttpReceiver, text: str
) -> None:
    assert is_good(told(receiver, NEW, part=text), NEW)


@given(st.binary(max_size=200), st.binary(min_size=24, max_size=64))
def test_we_and_the_other_implementation_sign_alike(body: bytes, key: bytes) -> None:
    secret = "whsec_" + base64.b64encode(key).decode()
    outlet = WebhookOutlet("hook", "http://127.0.0.1:9/", site="", secrets=[secret])
    now = datetime(2026, 3, 2, 6, 14, 7, tzinfo=UTC)
    text = body.decode("latin-1")
    ours = outlet._headers("n7c1:1:hook", text.encode(), from_datetime(now))
    assert ours["webhook-signature"] == Webhook(secret).sign("n7c1:1:hook", now, text)
