"""A monitor that raises an alarm when it hears nothing from us: one request each time, by the same rules
of the network as every outlet. Its address is a secret, as that of a chat.
"""

from __future__ import annotations

import asyncio

from service.domain.model import Instant
from service.outlets.network import Way
from service.outlets.post import Method, Post, trusted_by
from service.ports import Delivered, Failed


class Monitor:
    """Raises ``ValueError`` when ``url`` can't be used."""

    def __init__(self, url: str, *, method: Method, way: Way) -> None:
        self._url = url
        self._method = method
        self._way = way
        self._trusted = trusted_by(way)
        self._made()

    def beat(self, now: Instant) -> Delivered | Failed:
        """Tell it that we live; within 15 s, from a thread without an event loop. Never raises."""
        return asyncio.run(self._beat(now))

    async def _beat(self, now: Instant) -> Delivered | Failed:
        post = self._made()
        try:
            return await post.send(b"", headers={"user-agent": "earlybell"}, now=now)
        finally:
            await post.close()

    def _made(self) -> Post:
        return Post(self._url, way=self._way, trusted=self._trusted, method=self._method)
