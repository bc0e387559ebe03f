"""The owner's loop: take what waits as one batch, commit it, then acknowledge, announce and wake the sender.

Never waits to fill a batch. A store that is away is waited for with the batch in hand; nothing is
acknowledged meanwhile. Time passes here too: a tick looks whether a moment came that changes something."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial

import msgspec

from service import crash
from service.domain import silence
from service.domain.events import GatewayReport, Message, TimePassed
from service.domain.floor import next_moment
from service.domain.model import SECOND, Instant
from service.lease import LeaseLost
from service.ports import Ledger, StoreError
from service.usecases.batch import Ask, Committed, Inbound, Item, Turn
from service.usecases.gateways import without
from service.usecases.hearing import Hearing
from service.usecases.ingest import Ingest
from service.usecases.resend import Resend
from service.wire.gateway import Request
from service.wire.native import Address

MOST_IN_BATCH = 200
MOST_WAITING = 5000
BEHIND = 10 * SECOND
"""So far our clock may be behind what it said before; it is set right in smaller steps all the time."""
MOST_BYTES = 64 * 2**20
"""Of payloads that wait: while a store is away, few large ones would else take all memory there is."""
SHORTEST_PAUSE, LONGEST_PAUSE = 0.1, 2.0
Report = Callable[..., None]


class Owner:
    """``run`` in a thread of its own, until ``LeaseLost`` ends it; ``put``, ``tick``, ``checkpoint`` and
    ``stop`` from any."""

    def __init__(
        self,
        *,
        ingest: Ingest,
        ledger: Ledger,
        acknowledge: Callable[[str, list[tuple[int, int]]], None],
        announce: Callable[[Committed], None],
        ring: Callable[[], None],
        report: Report,
        resend: Resend,
        request: Callable[[str, list[Request]], None] = lambda source, requests: None,
        hears: Callable[[], bool] = lambda: True,
        look: Callable[[Instant, float], Sequence[GatewayReport]] = lambda now, steady: (),
        beat: Callable[[], None] = lambda: None,
    ) -> None:
        """``acknowledge`` and ``request`` name the source; ``hears``: whether the floor can be heard now;
        ``look`` is asked about once a second what became known of the sources; ``beat`` is called at each
        turn, so that one that hangs is told from one that waits."""
        self.ingest = ingest
        self.trouble: str | None = None
        self._ledger = ledger
        self._acknowledge = acknowledge
        self._announce = announce
        self._ring = ring
        self._report = report
        self._resend = resend
        self._request = request
        self._hears = hears
        self._look_at_sources = look
        self._hearing = Hearing(steps=not ingest.by_events)
        self._beat = beat
        self._is_behind = False
        self._inbox: queue.SimpleQueue[Item | str | None] = queue.SimpleQueue()
        self._bytes, self._weighing = 0, threading.Lock()
        self._stop = threading.Event()

    def put(self, item: Item) -> None:
        self._weigh(_weight(item))
        self._inbox.put(item)

    def waiting(self) -> int:
        return self._inbox.qsize()

    def has_room(self) -> bool:
        return self._inbox.qsize() < MOST_WAITING and self._bytes < MOST_BYTES

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
            self._beat()
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
        self._weigh(-sum(map(_weight, items)))
        return items, errands

    def _weigh(self, more: int) -> None:
        with self._weighing:
            self._bytes += more

    def _handle(self, items: Sequence[Item]) -> None:
        began = time.monotonic()
        committed = self._commit(items)
        if committed is None:
            return
        crash.point("after_commit_before_ack")
        durable = time.monotonic()
        tokens: dict[str, list[tuple[int, int]]] = {}
        received: float | None = None
        for item in items:
            if isinstance(item, Inbound):
                received = received or item.received
                tokens.setdefault(item.source, []).append(item.token)
        for source, those in tokens.items():
            self._acknowledge(source, those)
        for source, requests in self.ingest.sources.take_requests():
            self._request(source, requests)
        for each in committed:
            self._announce(each)
            if each.told:
                self._ring()
        waited = None if received is None else durable - received
        self._report(committed, seconds=durable - began, items=len(items), waited=waited)

    def _commit(self, items: Sequence[Item]) -> list[Committed] | None:
        """Until it is stored, however long that takes; ``None`` when we are stopped first."""
        try:
            one = self._insist(lambda: self.ingest.take(items))
        except LeaseLost:
            raise
        except Exception:  # one bad message must not take its batch along, nor stop the line
            return self._one_by_one(items)
        return None if one is None else [one]

    def _one_by_one(self, items: Sequence[Item]) -> list[Committed] | None:
        done: list[Committed] = []
        for item in items:
            one = self._insist(partial(self._take_or_refuse, item))
            if one is None:
                return None
            done.append(one)
        return done

    def _take_or_refuse(self, item: Item) -> Committed:
        try:
            return self.ingest.take([item])
        except (StoreError, LeaseLost):
            raise
        except Exception as error:  # whatever is wrong with it is its own
            return self.ingest.refuse(item, error)

    def _insist(self, commit: Callable[[], Committed]) -> Committed | None:
        """Again and again while the store is away, with growing pauses; ``None``: we are stopped."""
        pause = SHORTEST_PAUSE
        while not self._stop.is_set():
            self._beat()
            try:
                committed = commit()
            except StoreError as error:
                self.trouble = f"the store can't be written: {error}"
                self._stop.wait(pause)
                pause = min(pause * 2, LONGEST_PAUSE)
            else:
                self.trouble = None
                return committed
        return None

    def _do(self, errand: str) -> None:
        ingest = self.ingest
        if errand == "checkpoint":
            try:
                self._ledger.save_checkpoint(ingest.position, ingest.last_at, without(ingest.committed))
            except StoreError as error:
                self.trouble = f"the store can't be written: {error}"
            return
        self._look(ingest.now())

    def _look(self, now: Instant) -> None:
        """What time alone changes: what was quiet speaks, silence is told, what is missing asked for."""
        world = self.ingest.world
        self._handle_all("gateway", self._look_at_sources(now, time.monotonic()))
        since = self._hearing.look(now, time.monotonic(), hears=self._hears())
        moment = next_moment(world)
        was_set = self._was_set(now)
        if was_set or (moment is not None and moment <= now) or silence.is_due(world, now, since):
            self._handle_all("time", [TimePassed(heard_since=since, clock_set=was_set)])
        lapse = self.ingest.sources.next_moment()
        if lapse is not None and lapse <= now:
            self._handle([Turn()])
        calm = self.ingest.calm()
        if calm:
            self._handle(calm)
        self._resend.look(world.stations.values(), time.monotonic(), connected=self._hears())

    def _was_set(self, now: Instant) -> bool:
        """Our clock, since the last look; or it was ahead for so short that only what came meanwhile shows
        it, which everything later must come after."""
        before, self._is_behind = self._is_behind, self.ingest.last_at - now > BEHIND
        return self._hearing.was_set or (self._is_behind and not before)

    def _handle_all(self, kind: str, events: Sequence[Message]) -> None:
        """What concerns the whole site."""
        if events:
            address = Address(kind, "", None)
            self._handle([Ask(address, each, msgspec.json.encode(each), Future()) for each in events])


def _weight(item: Item) -> int:
    return len(item.payload) if isinstance(item, Inbound) else 0
