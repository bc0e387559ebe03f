"""What people do at an instance that stands by: passed to the one in charge through the store, and answered.

The answer is written with the batch that does it (or with nothing, where it changes nothing), so that neither
a death nor a takeover between the two does it twice. What isn't answered in time is not done later."""

from __future__ import annotations

import contextlib
import threading
import time
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field

import msgspec

from service.desk import Busy, Unattended
from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.lease import Answered, Asked, Asks
from service.outgoing import DeliveryRow, DeliveryState, NotDead, Outgoing
from service.ports import Outbox, StoreError
from service.tracing import REQUEST
from service.usecases.batch import CONFLICT, DONE, FAILED, Ask
from service.wire.journal import read_entry
from service.wire.native import Misfit

PATIENCE = 5.0
ANSWER_EVERY = 0.1
LOOK_EVERY = 0.25
FORGET_EVERY = 60.0
AGAIN = "again"


class _Carried(msgspec.Struct):
    kind: str
    subject: str
    data: bytes
    request: str = ""


class _Again(msgspec.Struct):
    delivery: int
    by: str


_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True, kw_only=True)
class Passing:
    """The side that stands by. ``refresh`` brings what is shown up to what is committed; ``missing``: nobody
    is in charge, as far as is known."""

    asks: Asks
    refresh: Callable[[], None]
    missing: Callable[[], bool] = lambda: False
    stopped: threading.Event = field(default_factory=threading.Event)

    def put(self, ask: Ask) -> None:
        """Pass it on and answer it; returns after that, which takes up to five seconds."""
        try:
            answer = self.pass_on(ask.address.kind, ask.address.subject, ask.data)
            self.refresh()
        except (StoreError, Busy) as error:
            ask.answer.set_exception(error)
            return
        if answer == DONE:
            ask.answer.set_result([])
        elif answer == CONFLICT:
            ask.answer.set_exception(KeyError(ask.address.subject))
        else:
            ask.answer.set_exception(RuntimeError("the instance in charge could not handle it; its log says"))

    def pass_on(self, kind: str, subject: str, data: bytes) -> bytes:
        """The answer of the one in charge. ``Busy`` after five seconds without one; ``Unattended``."""
        if self.missing():
            raise Unattended
        asked = Asked(uuid.uuid4().hex, _encode(_Carried(kind, subject, data, REQUEST.get())))
        deadline = time.monotonic() + PATIENCE
        self.asks.ask(asked, seconds=PATIENCE)
        while time.monotonic() < deadline and not self.stopped.wait(ANSWER_EVERY):
            answer = self.asks.answer(asked.id)
            if answer is not None:
                return answer
        raise Busy("the instance in charge doesn't answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tray:
    """The port ``Outgoing``, whoever is in charge: reads by itself, sends again ``here`` or has it done, by
    whoever sends the delivery of that number."""

    outbox: Outbox
    passing: Callable[[int], Passing]
    here: Callable[[int], Outgoing | None]

    def deliveries(
        self, *, state: DeliveryState | None, limit: int, after: int | None
    ) -> Sequence[DeliveryRow]:
        return self.outbox.deliveries(state=state, limit=limit, after=after)

    def again(self, delivery_id: int, *, by: str) -> DeliveryRow:
        here = self.here(delivery_id)
        if here is not None:
            return here.again(delivery_id, by=by)
        answer = self.passing(delivery_id).pass_on(AGAIN, "", _encode(_Again(delivery_id, by)))
        row = self.outbox.delivery(delivery_id)
        if row is None:
            raise KeyError(delivery_id)
        if answer != DONE:
            raise NotDead(row)
        return row


@dataclass(slots=True, kw_only=True)
class Answering:
    """The side in charge: ``run`` in a thread of its own. ``put`` hands an ask to the owner, ``again`` has a
    dead delivery sent again."""

    asks: Asks
    put: Callable[[Ask], None]
    again: Callable[[int, str], object]
    beat: Callable[[], None] = lambda: None
    stopped: threading.Event = field(default_factory=threading.Event)
    given: set[str] = field(default_factory=set)
    forget_at: float = 0.0

    def run(self) -> None:
        while not self.stopped.is_set():
            self.beat()
            with contextlib.suppress(StoreError):  # whoever asked is told that it takes too long
                self.look()
            self.stopped.wait(LOOK_EVERY)

    def stop(self) -> None:
        self.stopped.set()

    def look(self) -> None:
        """Take what waits; each once, for the owner answers when it is stored."""
        waiting = self.asks.waiting()
        self.given &= {asked.id for asked in waiting}
        for asked in waiting:
            if asked.id not in self.given:
                self.given.add(asked.id)
                self._take(asked)
        if time.monotonic() >= self.forget_at:
            self.asks.forget()
            self.forget_at = time.monotonic() + FORGET_EVERY

    def _take(self, asked: Asked) -> None:
        try:
            carried = msgspec.json.decode(asked.data, type=_Carried)
            if carried.kind == AGAIN:
                self.asks.settle(Answered(asked.id, self._send_again(carried.data)))
                return
            entry = JournalEntry(_NO_MOMENT, carried.kind, carried.subject, carried.data)
            address, message = read_entry(entry)
        except (msgspec.MsgspecError, Misfit):  # of another version of the program
            self.asks.settle(Answered(asked.id, FAILED))
            return
        self.put(Ask(address, message, carried.data, Future(), asked.id, carried.request))

    def _send_again(self, data: bytes) -> bytes:
        wanted = msgspec.json.decode(data, type=_Again)
        try:
            self.again(wanted.delivery, wanted.by)
        except (KeyError, NotDead):
            return CONFLICT
        return DONE


_NO_MOMENT: Instant = 0
