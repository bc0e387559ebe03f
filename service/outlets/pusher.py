"""One encrypted message to one phone, by the push service that its browser chose (RFC 8030).

Endpoints come from browsers: they are judged again here, names lead to public addresses only, nothing is
followed, and a service that asks for time isn't asked before by any of its phones.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

import httpx

from service.domain.model import SECOND, Instant
from service.outlets.network import Way
from service.outlets.post import Post, judged, trusted_by
from service.outlets.sealed import Signing, sealed
from service.phones import Phone, check_endpoint, origin_of
from service.ports import Delivered, Failed

EACH_SECONDS = 8.0
_MOST_ORIGINS = 20
_LONGEST_WAIT = 3600.0
_PATIENCE = 3.0


@dataclass(frozen=True, slots=True)
class Gone:
    """The subscription has ended: nothing more will arrive there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """``topic``: a later message of the same replaces one that still waits at the service; ``ttl``: seconds
    for which it may wait there."""

    plain: bytes
    ttl: int
    urgency: Literal["very-low", "low", "normal", "high"] = "normal"
    topic: str | None = None


class Pusher:
    """For one event loop. ``services`` are the origins that the configuration names: whoever wrote it means
    them, wherever they lead."""

    def __init__(
        self,
        signing: Signing,
        *,
        services: Collection[str] = (),
        way: Way | None = None,
        deadline: float = EACH_SECONDS,
    ) -> None:
        self._signing = signing
        self._services = frozenset(origin_of(each) for each in services)
        self._way = way or Way()
        self._deadline = deadline
        self._trusted = trusted_by(self._way)
        self._posts: OrderedDict[str, Post] = OrderedDict()
        self._wait_until: dict[str, Instant] = {}

    async def push(self, phone: Phone, message: Message, *, now: Instant) -> Delivered | Gone | Failed:
        """Never raises, but for being cancelled."""
        try:
            check_endpoint(phone.endpoint, self._services)
            async with asyncio.timeout(_PATIENCE):
                signature = await asyncio.to_thread(self._signing)
            body = sealed(message.plain, p256dh=phone.p256dh, auth=phone.auth)
            headers = _headers(message, signature.header(phone.endpoint, now))
            post = await self._post_to(origin_of(phone.endpoint))
        except TimeoutError:
            return Failed("the store doesn't give the signing key", untouched=True)
        except ValueError as error:
            return Failed(f"the subscription can't be used: {error}", untouched=True)
        except Exception as error:  # its text might hold a secret
            return Failed(f"unexpected {type(error).__name__}", untouched=True)
        return await self._send(post, phone.endpoint, body, headers, now)

    async def close(self) -> None:
        for post in self._posts.values():
            await post.close()
        self._posts.clear()

    async def _send(
        self, post: Post, endpoint: str, body: bytes, headers: dict[str, str], now: Instant
    ) -> Delivered | Gone | Failed:
        origin = origin_of(endpoint)
        rest = (self._wait_until.get(origin, 0) - now) / SECOND
        if 0 < rest <= _LONGEST_WAIT:
            return Failed("the push service asked to wait", retry_after=rest, untouched=True)
        response = await post.answer(body, headers=headers, to=endpoint)
        outcome = _judged(response, now)
        if isinstance(outcome, Failed) and outcome.retry_after:
            self._wait_until[origin] = now + round(min(outcome.retry_after, _LONGEST_WAIT) * SECOND)
        return outcome

    async def _post_to(self, origin: str) -> Post:
        post = self._posts.pop(origin, None)
        if post is None:
            way = replace(self._way, public_only=origin not in self._services)
            post = Post(origin, deadline=self._deadline, way=way, trusted=self._trusted)
        self._posts[origin] = post
        if len(self._posts) > _MOST_ORIGINS:
            _, oldest = self._posts.popitem(last=False)
            await oldest.close()
        return post


def _headers(message: Message, authorization: str) -> dict[str, str]:
    headers = {
        "authorization": authorization,
        "content-encoding": "aes128gcm",
        "content-type": "application/octet-stream",
        "ttl": str(message.ttl),
        "urgency": message.urgency,
        "user-agent": "earlybell",
    }
    return headers if message.topic is None else headers | {"topic": message.topic}


def _judged(response: httpx.Response | Failed, now: Instant) -> Delivered | Gone | Failed:
    """RFC 8030, 7.3: 404 and 410 end a subscription. Neither ends the outlet, so no failure is final."""
    if isinstance(response, Failed):
        return response
    if response.status_code in (404, 410):
        return Gone()
    outcome = judged(response, now)
    return replace(outcome, final=False) if isinstance(outcome, Failed) else outcome
