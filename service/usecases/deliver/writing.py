"""Writes down how attempts ended, for as long as their lease may last: a good send that isn't written down is
sent twice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any

from service.domain.model import SECOND, Instant
from service.lease import LeaseLost
from service.ports import Delivery, Outbox, Settled, StoreError
from service.usecases.deliver.bell import Bell

LEASE = 45 * SECOND
STORE_PAUSE = 0.5
OVER = "the lease had run out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Writing:
    """``call`` runs what blocks elsewhere; ``trouble`` hears that the store is away, ``mistake`` that the
    lease is lost, which must end the loop."""

    outbox: Outbox
    owner: str
    clock: Callable[[], Instant]
    bell: Bell
    call: Callable[[Callable[[], Any]], Awaitable[Any]]
    trouble: Callable[[StoreError], None]
    mistake: Callable[[BaseException], None]

    async def settle(self, bundle: Sequence[Delivery], ends: Sequence[Settled]) -> list[str | None]:
        """Of each why its end could not be written, or ``None``. One that can't be written must not keep the
        others from it."""
        pairs = list(zip(bundle, ends, strict=True))
        if len(pairs) == 1:
            return [await self._one(*pairs[0])]
        try:
            return await self._all(pairs)
        except Exception:
            return [await self._one(*pair) for pair in pairs]

    async def _one(self, delivery: Delivery, settled: Settled) -> str | None:
        def write() -> list[bool]:
            return [self.outbox.settle(delivery, owner=self.owner, settled=settled)]

        try:
            return (await self._until_written(write, 1))[0]
        except Exception as error:
            return f"unexpected {type(error).__name__}"

    async def _all(self, pairs: Sequence[tuple[Delivery, Settled]]) -> list[str | None]:
        def write() -> list[bool]:
            return self.outbox.settle_all(pairs, owner=self.owner)

        return await self._until_written(write, len(pairs))

    async def _until_written(self, write: Callable[[], list[bool]], rows: int) -> list[str | None]:
        give_up = self.clock() + LEASE
        while True:
            try:
                return [None if ours else OVER for ours in await self.call(write)]
            except StoreError as error:
                self.trouble(error)
                if self.bell.stopping or self.clock() >= give_up:
                    return ["the store is away"] * rows
                await asyncio.sleep(STORE_PAUSE)
            except LeaseLost as lost:
                self.mistake(lost)
                return [str(lost)] * rows
