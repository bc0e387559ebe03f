"""How other threads reach the delivery loop: there is something to send, it is time to stop."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable


class Bell:
    """Rung when a commit left something to deliver, stopped at the end; both from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._rung = asyncio.Event()
        self._stopped = asyncio.Event()
        self.stopping = False
        self._revived: deque[str] = deque()
        self._proved: deque[str] = deque()

    def ring(self) -> None:
        if not self._rung.is_set():  # rung already: the claim that answers it comes after this commit
            self._call(self._rung.set)

    def stop(self) -> None:
        self.stopping = True
        self._call(self._stopped.set)
        self._call(self._rung.set)

    def revive(self, outlet: str) -> None:
        """A person wants something sent again: an outlet that refused for good is tried again."""
        self._revived.append(outlet)
        self.ring()

    def take_revived(self) -> list[str]:
        return [self._revived.popleft() for _ in range(len(self._revived))]

    def prove(self, outlet: str) -> None:
        """It was just seen to take a message that isn't of the outbox."""
        self._proved.append(outlet)
        self.ring()

    def take_proved(self) -> list[str]:
        return [self._proved.popleft() for _ in range(len(self._proved))]

    def _call(self, what: Callable[[], None]) -> None:
        if self._loop is None:
            return  # the delivery loop begins with a look at the outbox and at `stopping`
        with contextlib.suppress(RuntimeError):  # the event loop is closed: nobody is left to hear
            self._loop.call_soon_threadsafe(what)

    def attach(self) -> None:
        """The running event loop is the one that listens from now on."""
        self._loop = asyncio.get_running_loop()
        if self.stopping:
            self._stopped.set()

    async def rung(self, *, within: float) -> None:
        """Until it is rung, or so many seconds."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within):
                await self._rung.wait()
        self._rung.clear()

    async def stopped(self) -> None:
        await self._stopped.wait()
