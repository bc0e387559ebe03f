"""What changes, as server-sent events: one shared ring of encoded frames, one cursor per listener.

Publishing encodes a frame once, whoever listens. A listener holds no queue, only its place in the ring, so a
slow one costs no memory: too far behind, it is told ``resync`` (fetch everything again) and let go.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from threading import Lock

import msgspec
from fastapi.sse import format_sse_event
from starlette.responses import StreamingResponse
from starlette.types import Message, Send

RETRY_MS = 2_000
MOST_EACH = 50
"""Streams of one session or token: a quarter of all."""
BREATH_SECONDS = 0.1
"""Rest after each burst: 200 listeners at 1,000 events a second are then 2,000 wake-ups, not 200,000."""


class HubFullError(Exception):
    """As many listeners as allowed are connected (or the hub is closed): come back a little later."""


class _Place(msgspec.Struct):
    line: str | None = None


_PLACE = msgspec.json.Decoder(_Place)


@dataclass(frozen=True, slots=True)
class _Frame:
    line: str | None
    wire: bytes


@dataclass(slots=True, eq=False)
class Listener:
    """One open stream: ``cursor`` is the id of the next event it has not been given."""

    line: str | None
    cursor: int
    behind: bool
    loop: asyncio.AbstractEventLoop
    bell: asyncio.Event = field(default_factory=asyncio.Event)
    rung: bool = False
    holder: str | None = None
    dismissed: bool = False


class Hub:
    """Hands published events to every listener. ``publish`` and ``close`` are safe from any thread.

    Ids grow by one per event and begin at the wall clock in microseconds, so an id of an earlier run is older
    than anything in the ring and leads to ``resync`` instead of a silent hole.
    """

    def __init__(
        self, *, kept: int = 4096, lag: int = 2048, listeners: int = 200, ping_seconds: float = 15.0
    ) -> None:
        self._ring: list[_Frame | None] = [None] * kept
        self._lag = min(lag, kept)
        self._most = listeners
        self._ping_seconds = ping_seconds
        self._first = self._next = time.time_ns() // 1_000
        self._listeners: set[Listener] = set()
        self._closed = False
        self._lock = Lock()

    def publish(self, event: str, data: bytes) -> None:
        """Give ``data`` (one JSON object) to every listener of its ``line``; without a line, to all."""
        line = _PLACE.decode(data).line or None
        with self._lock:
            wire = format_sse_event(event=event, data_str=data.decode(), id=str(self._next))
            self._ring[self._next % len(self._ring)] = _Frame(line, wire)
            self._next += 1
            self._ring_bells()

    def close(self) -> None:
        """End every stream now and refuse new ones, so that the server can stop."""
        with self._lock:
            self._closed = True
            self._ring_bells()

    def join(self, *, line: str | None, last_id: str | None, holder: str | None = None) -> Listener:
        """A new listener, from behind event ``last_id`` where that is still held; ``holder`` is what it was
        let in with. Raises ``HubFullError``."""
        with self._lock:
            if self._closed or len(self._listeners) >= self._most:
                raise HubFullError(f"{len(self._listeners)} pages are listening already; try again shortly")
            if holder is not None and sum(each.holder == holder for each in self._listeners) >= MOST_EACH:
                raise HubFullError(f"you have {MOST_EACH} pages listening already; close one")
            resume = self._resume(last_id)
            listener = Listener(
                line=line,
                cursor=self._next if resume is None else resume,
                behind=last_id is not None and resume is None,
                loop=asyncio.get_running_loop(),
                holder=holder,
            )
            self._listeners.add(listener)
            return listener

    def dismiss(self, gone: str | Listener) -> None:
        """End the stream of a listener, or all that were let in with a secret."""
        with self._lock:
            for listener in self._listeners:
                listener.dismissed |= gone in (listener, listener.holder)
            self._ring_bells()

    def leave(self, listener: Listener) -> None:
        with self._lock:
            self._listeners.discard(listener)

    @property
    def listening(self) -> int:
        """How many listeners there are."""
        return len(self._listeners)

    async def frames(self, listener: Listener) -> AsyncIterator[bytes]:
        """The wire text for ``listener``: an opening, events as they come, a ping when there are none."""
        yield format_sse_event(comment="live", id=str(listener.cursor - 1), retry=RETRY_MS)
        while True:
            burst, going_on = self._take(listener)
            if burst:
                yield burst
            if not going_on:
                return
            if burst:
                await asyncio.sleep(BREATH_SECONDS)
            elif not await self._rings(listener):
                yield format_sse_event(comment="ping", id=str(listener.cursor - 1))

    def _resume(self, last_id: str | None) -> int | None:
        """The cursor behind ``last_id``, or ``None`` when what followed is no longer (or not yet) held."""
        if last_id is None or not (last_id.isascii() and last_id.isdigit() and len(last_id) <= 20):
            return None
        oldest = max(self._first, self._next - self._lag)
        cursor = int(last_id) + 1
        return cursor if oldest <= cursor <= self._next else None

    def _take(self, listener: Listener) -> tuple[bytes, bool]:
        """Everything new for ``listener`` as one burst, and whether its stream goes on."""
        with self._lock:
            listener.rung = False
            listener.bell.clear()
            if self._closed or listener.dismissed:
                return b"", False
            if self._next - listener.cursor > self._lag:
                return self._resync(), False
            if listener.behind:
                listener.behind, listener.cursor = False, self._next
                return self._resync(), True
            size = len(self._ring)
            new = [self._ring[number % size] for number in range(listener.cursor, self._next)]
            listener.cursor = self._next
        wanted = (None, listener.line)
        return b"".join(
            frame.wire for frame in new if frame and (listener.line is None or frame.line in wanted)
        ), True

    def _resync(self) -> bytes:
        return format_sse_event(event="resync", data_str="{}", id=str(self._next - 1))

    async def _rings(self, listener: Listener) -> bool:
        """Wait for news; ``False`` when a ping is due first."""
        try:
            async with asyncio.timeout(self._ping_seconds):
                return await listener.bell.wait()
        except TimeoutError:
            return False

    def _ring_bells(self) -> None:
        for listener in list(self._listeners):
            if not listener.rung:
                listener.rung = True
                try:
                    listener.loop.call_soon_threadsafe(listener.bell.set)
                except RuntimeError:  # its event loop is gone, and with it the connection
                    self._listeners.discard(listener)


class LiveResponse(StreamingResponse):
    """An event stream whose reader must take each piece within ``patience`` seconds; one that doesn't read at
    all would otherwise keep its place for ever."""

    media_type = "text/event-stream"

    def __init__(self, frames: AsyncIterator[bytes], *, patience: float = 20.0) -> None:
        super().__init__(frames, headers={"x-accel-buffering": "no"})
        self._patience = patience

    async def stream_response(self, send: Send) -> None:
        async def send_soon(message: Message) -> None:
            async with asyncio.timeout(self._patience):
                await send(message)

        try:
            await super().stream_response(send_soon)
        except TimeoutError:
            return  # the server then drops the connection
