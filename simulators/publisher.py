"""Drives a simulated line against the clock and publishes what its gateways say, each message until it is
acknowledged; keeps what can't be said while the broker is away.
"""

from __future__ import annotations

import math
import queue
import random
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import islice
from typing import Literal, TextIO

from simulators.clock import LineClock
from simulators.events import Event
from simulators.faults import Fault, chain, flush
from simulators.ledger import Ledger
from simulators.line import Level, Line
from simulators.messages import Gateway, Message
from simulators.plan import LinePlan
from simulators.uplink import Broker, Uplink

SPOOL = 100_000
"""Messages kept while the broker is away (over a week of a real line); beyond it the oldest count goes,
which with totals costs nothing."""
SLICE = 0.05
"""Seconds between two looks at what else there is to do."""
PATIENCE = 1.0
"""Seconds without a broker after which that is reported."""
LAST_WORDS = 1.0
"""Seconds a stopping line waits for its last messages to be acknowledged."""


class Publisher:
    """``observe`` hears every event of the line, ``report`` what a person at the terminal should know; both
    are called in the thread that runs ``run``."""

    def __init__(
        self,
        line: Line,
        gateway: Gateway,
        clock: LineClock,
        uplinks: Mapping[str, Uplink],
        *,
        faults: Sequence[Fault] = (),
        ledger: Ledger | None = None,
        observe: Callable[[Event], None] = lambda event: None,
        report: Callable[[str], None] = lambda text: None,
    ) -> None:
        self.acknowledged = 0
        self._line = line
        self._gateway = gateway
        self._clock = clock
        self._uplinks = uplinks
        self._faults = faults
        self._ledger = ledger
        self._observe = observe
        self._report = report
        self._told: queue.SimpleQueue[tuple[str, str, Level]] = queue.SimpleQueue()
        self._spool: deque[Message] = deque()
        self._reported: str | None = None

    def tell(self, station: str, slot: str, level: Level) -> None:
        """A warning for the line's people; safe from any thread."""
        self._told.put((station, slot, level))

    @property
    def unacknowledged(self) -> int:
        return len(self._spool)

    def run(self, stop: threading.Event, *, panels: float = math.inf, seconds: float = math.inf) -> None:
        """Until ``stop``, or so many panels left the line, or so many seconds passed."""
        for uplink in self._uplinks.values():
            uplink.start()
        try:
            while not stop.is_set() and self._clock.elapsed() < seconds and self._line.panels < panels:
                self._move(panels)
                self._deliver(SLICE)
                self._look_at_uplinks()
                if not self._spool or not self._connected():
                    stop.wait(self._pause())
            self._close()
        finally:
            for uplink in self._uplinks.values():
                uplink.disconnect()
            for uplink in self._uplinks.values():
                uplink.close()

    def _move(self, panels: float) -> None:
        """Let the line catch up with the clock; at infinite speed by one happening, once all is delivered."""
        while not self._told.empty():
            self._take(self._line.tell(*self._told.get()))
        if math.isinf(self._clock.speed):
            if not self._spool:
                self._take(self._line.advance(self._line.next_at))
            return
        now = self._clock.now()
        while self._line.next_at <= now and self._line.panels < panels:
            self._take(self._line.advance(self._line.next_at))
        if self._line.panels < panels:
            self._take(self._line.advance(now))

    def _pause(self) -> float:
        if math.isinf(self._clock.speed):
            return 0.0 if self._connected() else SLICE
        ahead = (self._line.next_at - self._clock.now()) / self._clock.speed
        return min(SLICE, max(0.0, ahead))

    def _take(self, events: Sequence[Event]) -> None:
        for event in events:
            if self._ledger:
                self._ledger.event(event)
            for message in self._gateway.encode(event):
                self._keep(chain(self._faults, message))
            self._observe(event)

    def _keep(self, messages: Sequence[Message]) -> None:
        for message in messages:
            if self._ledger:
                self._ledger.saying(message)
            self._spool.append(message)
            if len(self._spool) > SPOOL:
                self._forget_oldest_count()

    def _forget_oldest_count(self) -> None:
        """Never the first, which may be in flight, and nothing but counts."""
        for index, message in enumerate(islice(self._spool, 1, None), start=1):
            if message.kind == "count":
                del self._spool[index]
                return

    def _deliver(self, timeout: float) -> None:
        """Send what waits, in order across all uplinks, for as long as each is acknowledged in time."""
        end = time.monotonic() + timeout
        while self._spool and (left := end - time.monotonic()) > 0:
            message = self._spool[0]
            if not self._uplink_of(message).deliver(message, left):
                return
            self._spool.popleft()
            self.acknowledged += 1

    def _uplink_of(self, message: Message) -> Uplink:
        """The station's own; what concerns the whole line goes out with its first station."""
        return self._uplinks.get(message.station or "") or next(iter(self._uplinks.values()))

    def _connected(self) -> bool:
        return all(uplink.trouble is None for uplink in self._uplinks.values())

    def _look_at_uplinks(self) -> None:
        troubles = [uplink.trouble for uplink in self._uplinks.values() if uplink.trouble]
        if not troubles and self._reported:
            self._report("the broker is there again")
            self._reported = None
        elif troubles and troubles[0] != self._reported and self._clock.elapsed() > PATIENCE:
            self._report(f"waiting for the broker: {troubles[0]}")
            self._reported = troubles[0]

    def _close(self) -> None:
        self._keep(flush(self._faults))
        self._keep(self._gateway.farewell(self._line.now))
        self._keep([self._gateway.link(station, "offline", at=self._now()) for station in self._uplinks])
        if self._connected():
            self._deliver(LAST_WORDS)
        if self._spool:
            self._report(f"{len(self._spool)} messages were never acknowledged")

    def _now(self) -> str:
        return self._clock.stamp(self._line.now)


def open_publisher(
    plan: LinePlan,
    broker: Broker,
    *,
    speed: float = 1.0,
    seed: int = 7,
    clock: Literal["wall", "line"] = "wall",
    root: str = "floor",
    faults: Sequence[Fault] = (),
    ledger: TextIO | None = None,
    observe: Callable[[Event], None] = lambda event: None,
    report: Callable[[str], None] = lambda text: None,
) -> Publisher:
    """A seeded line with its gateways, ready to run. The run is named after the moment it was opened."""
    start = datetime.now(UTC)
    timing = LineClock(speed, clock, start)
    line = Line(plan, random.Random(seed))
    run = f"{plan.line} {start.isoformat()}"
    gateway = Gateway(plan.line, run=run, stamp=timing.stamp, root=root)

    def uplink(station: str) -> Uplink:
        return Uplink(
            broker,
            f"{root}-{plan.line}-{station}-{start:%H%M%S%f}",
            online=lambda: gateway.link(station, "online", at=timing.stamp(line.now)),
            will=gateway.link(station, "offline"),
        )

    return Publisher(
        line,
        gateway,
        timing,
        {each.station: uplink(each.station) for each in plan.stations},
        faults=faults,
        ledger=Ledger(ledger, timing.stamp) if ledger else None,
        observe=observe,
        report=report,
    )
