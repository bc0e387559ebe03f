"""The owner's loop: take what waits as one batch, commit it, then acknowledge, announce and wake the sender.

Never waits to fill a batch. A store that is away is waited for with the batch in hand; nothing is
acknowledged meanwhile. Time passes here too: a tick looks whether a moment came that changes something."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future

from service.domain.events import TimePassed
from service.domain.floor import next_moment
from service.ports import Ledger, StoreError
from service.usecases.ingest import Ask, Committed, Inbound, Ingest
from service.wire.native import Address

MOST_IN_BATCH = 200
MOST_WAITING = 5000
LONGEST_PAUSE = 2.0
Item = Inbound | Ask
Report = Callable[..., None]


class Owner:
    """``run`` in a thread of its own; ``put``, ``tick``, ``checkpoint`` and ``stop`` from any."""

    def __init__(
        self,
        *,
        ingest: Ingest,
        ledger: Ledger,
        acknowledge: Callable[[list[tuple[int, int]]], None],
        announce: Callable[[Committed], None],
        ring: Callable[[], None],
        report: Report,
    ) -> None:
        self.ingest = ingest
        self.trouble: str | None = None
        self._ledger = ledger
        self._acknowledge = acknowledge
        self._announce = announce
        self._ring = ring
        self._report = report
        self._inbox: queue.SimpleQueue[Item | str | None] = queue.SimpleQueue()
        self._stop = threading.Event()

    def put(self, item: Item) -> None:
        self._inbox.put(item)

    def waiting(self) -> int:
        return self._inbox.qsize()

    def has_room(self) -> bool:
        return self._inbox.qsize() < MOST_WAITING

    def tick(self) -> None:
        self._inbox.put("tick")

    def checkpoint(self) -> None:
        self._inbox.put("checkpoint")

    def stop(self) -> None:
        """End after the batch in hand; what still waits is not acknowledged and comes again."""
        self._stop.set()
        self._inbox.put(None)

    def run(self) -> None:
        while not self._stop.is_set():
            first = self._inbox.get()
            items, errands = self._gather(first)
            if items:
                self._handle(items)
            for errand in errands:
                self._do(errand)

    def _gather(self, first: Item | str | None) -> tuple[list[Item], list[str]]:
        items: list[Item] = []
        errands: list[str] = []
        each = first
        while True:
            if isinstance(each, str):
                errands.append(each)
            elif each is not None:
                items.append(each)
            if len(items) >= MOST_IN_BATCH:
                break
            try:
                each = self._inbox.get_nowait()
            except queue.Empty:
                break
        return items, errands

    def _handle(self, items: Sequence[Item]) -> None:
        began = time.monotonic()
        committed = self._commit(items)
        if committed is None:
            return
        tokens = [item.token for item in items if isinstance(item, Inbound)]
        if tokens:
            self._acknowledge(tokens)
        for each in committed:
            self._announce(each)
            if each.told:
                self._ring()
        self._report(committed, seconds=time.monotonic() - began, items=len(items))

    def _commit(self, items: Sequence[Item]) -> list[Committed] | None:
        """Until it is stored, however long that takes; ``None`` when we are stopped first."""
        pause = 0.1
        while not self._stop.is_set():
            try:
                committed = [self.ingest.take(items)]
                self.trouble = None
                return committed
            except StoreError as error:
                self.trouble = f"the store can't be written: {error}"
            except Exception:  # one bad message must not take its batch along, nor stop the line
                try:
                    return self.ingest.take_apart(items)
                except StoreError as away:
                    self.trouble = f"the store can't be written: {away}"
            self._stop.wait(pause)
            pause = min(pause * 2, LONGEST_PAUSE)
        return None

    def _do(self, errand: str) -> None:
        ingest = self.ingest
        if errand == "checkpoint":
            try:
                self._ledger.save_checkpoint(ingest.position, ingest.last_at, dict(ingest.committed))
            except StoreError as error:
                self.trouble = f"the store can't be written: {error}"
            return
        moment = next_moment(ingest.world)
        if moment is not None and moment <= ingest.now():
            self._handle([Ask(Address("time", "", None), TimePassed(), b"{}", Future())])
