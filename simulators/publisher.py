"""Drives a simulated plant against the clock and publishes what its gateways say, each message until it is
acknowledged; keeps what can't be said while the broker is away.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from itertools import islice
from typing import Literal, TextIO

from simulators.clock import LineClock
from simulators.dialects import SPEAKERS
from simulators.events import Event, Level
from simulators.faults import Fault, Restarts, chain, clocks_of, faults_of, flush, restarts_of
from simulators.ledger import Ledger
from simulators.messages import Message, Speaker
from simulators.plant import Plant
from simulators.scenario import Scenario
from simulators.uplink import Broker, Uplink

SPOOL = 100_000
"""Messages kept while the broker is away (days of a real line); beyond it the oldest count goes,
which with totals costs nothing."""
SLICE = 0.05
"""Seconds between two looks at what else there is to do."""
PATIENCE = 1.0
"""Seconds without a broker after which that is reported."""
LAST_WORDS = 5.0
"""Seconds a stopping plant waits for its last messages to be acknowledged."""


Place = tuple[str, str]
"""Line and station."""


class Publisher:
    """``observe`` hears every event with its line, ``report`` what a person at the terminal should know; both
    are called in the thread that runs ``run``."""

    def __init__(
        self,
        plant: Plant,
        gateways: Mapping[str, Speaker],
        clock: LineClock,
        uplinks: Mapping[Place, Uplink],
        *,
        restarts: Mapping[Place, Restarts],
        faults: Mapping[Place, Sequence[Fault]],
        ledger: Ledger | None = None,
        observe: Callable[[str, Event], None] = lambda line, event: None,
        report: Callable[[str], None] = lambda text: None,
    ) -> None:
        self.acknowledged = 0
        self._plant = plant
        self._gateways = gateways
        self._clock = clock
        self._uplinks = uplinks
        self._restarts = restarts
        self._faults = faults
        self._ledger = ledger
        self._observe = observe
        self._report = report
        self._told: queue.SimpleQueue[tuple[str, str, str, Level]] = queue.SimpleQueue()
        self._spool: deque[tuple[Place, Message]] = deque()
        self._reported: str | None = None

    def tell(self, line: str, station: str, slot: str, level: Level) -> None:
        """A warning for the plant's people; safe from any thread."""
        self._told.put((line, station, slot, level))

    @property
    def now(self) -> float:
        """The plant's second."""
        return self._plant.now

    @property
    def unacknowledged(self) -> int:
        return len(self._spool)

    def run(
        self,
        stop: threading.Event,
        *,
        panels: float = math.inf,
        seconds: float = math.inf,
        hours: float = math.inf,
    ) -> None:
        """Until ``stop``, or so many panels left the lines, or so many seconds or hours of the plant
        passed. The plant begins once all gateways are connected: of a line that has begun before, nobody
        counts what was made meanwhile. It doesn't wait for long for a broker that isn't there."""
        until = hours * 3600
        uplinks = list(dict.fromkeys(self._uplinks.values()))
        for uplink in uplinks:
            uplink.start()
        try:
            self._await_connections(stop)
            self._clock.begin()
            while not stop.is_set() and self._clock.elapsed() < seconds and self._goes_on(panels, until):
                self._greet()
                self._move(panels, until)
                self._deliver(SLICE)
                self._look_at_uplinks()
                if not self._spool or not self._connected():
                    stop.wait(self._pause())
            self._close()
        finally:
            for uplink in uplinks:
                uplink.disconnect()
            for uplink in uplinks:
                uplink.close()

    def _await_connections(self, stop: threading.Event) -> None:
        end = time.monotonic() + PATIENCE
        while not self._connected() and time.monotonic() < end and not stop.wait(0.005):
            pass

    def _goes_on(self, panels: float, until: float) -> bool:
        return self._plant.panels < panels and self._plant.now < until

    def _move(self, panels: float, until: float) -> None:
        """Let the plant catch up with the clock; at infinite speed by one happening, once all is
        delivered."""
        while not self._told.empty():
            self._take(self._plant.tell(*self._told.get()))
        if math.isinf(self._clock.speed):
            if not self._spool:
                self._advance(min(until, self._plant.next_at))
            return
        now = min(until, self._clock.now())
        while self._plant.next_at <= now and self._plant.panels < panels:
            self._advance(self._plant.next_at)
        if self._plant.panels < panels:
            self._advance(now)

    def _advance(self, to: float) -> None:
        """First what gateways say of themselves up to then."""
        for line, gateway in self._gateways.items():
            if (moment := gateway.next_moment()) is not None and moment <= to:
                self._say(line, gateway.tick(to))
        self._take(self._plant.advance(to))

    def _pause(self) -> float:
        if math.isinf(self._clock.speed):
            return 0.0 if self._connected() else SLICE
        ahead = (self._plant.next_at - self._clock.now()) / self._clock.speed
        return min(SLICE, max(0.0, ahead))

    def _take(self, events: Sequence[tuple[str, Event]]) -> None:
        for line, event in events:
            if self._ledger:
                self._ledger.event(line, event)
            restarts = self._restarts.get((line, getattr(event, "station", "")))
            self._say(line, self._gateways[line].encode(restarts.befall(event) if restarts else event))
            self._observe(line, event)

    def _say(self, line: str, messages: Sequence[Message]) -> None:
        for message in messages:
            place = self._place_of(line, message)
            self._keep(place, chain(self._faults[place], message))

    def _greet(self) -> None:
        """What connections that are new say first, and what commands are answered with."""
        for place, uplink in self._uplinks.items():
            line, station = place
            gateway = self._gateways[line]
            if uplink.greet(partial(gateway.greet, station, self._plant.now)) and gateway.by_line:
                # It said all there is, and numbers what it says from there on.
                self._spool = deque(each for each in self._spool if each[0][0] != line)
                uplink.forget()
            while not uplink.heard.empty():
                self._say(line, gateway.obey(*uplink.heard.get(), self._plant.now))

    def _place_of(self, line: str, message: Message) -> Place:
        """What concerns the whole line goes out with its first station."""
        return line, message.station or next(station for of, station in self._uplinks if of == line)

    def _keep(self, place: Place, messages: Sequence[Message]) -> None:
        for message in messages:
            if self._ledger:
                self._ledger.saying(place[0], message)
            self._spool.append((place, message))
            if len(self._spool) > SPOOL:
                self._forget_oldest_count()

    def _forget_oldest_count(self) -> None:
        """Never the first, which may be in flight, and nothing but counts."""
        for index, (_, message) in enumerate(islice(self._spool, 1, None), start=1):
            if message.kind == "count":
                del self._spool[index]
                return

    def _deliver(self, timeout: float) -> None:
        """Send what waits, in order across all uplinks, for as long as each is acknowledged in time."""
        end = time.monotonic() + timeout
        while self._spool and (left := end - time.monotonic()) > 0:
            place, message = self._spool[0]
            if not self._uplinks[place].deliver(message, left):
                return
            self._spool.popleft()
            self.acknowledged += 1

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
        for place, faults in self._faults.items():
            self._keep(place, flush(faults))
        for line, gateway in self._gateways.items():
            for message in gateway.farewell(self._plant.now):
                self._keep(self._place_of(line, message), [message])
        for line, station in self._uplinks:
            self._keep((line, station), self._gateways[line].leave(station, self._plant.now))
        if self._connected():
            self._deliver(LAST_WORDS)
        if self._spool:
            self._report(f"{len(self._spool)} messages were never acknowledged")


def open_publisher(
    scenario: Scenario,
    broker: Broker,
    *,
    bell: bool = False,
    speed: float = 1.0,
    seed: int | None = None,
    clock: Literal["wall", "line"] = "wall",
    root: str = "floor",
    speak: str = "native",
    ledger: TextIO | None = None,
    observe: Callable[[str, Event], None] = lambda line, event: None,
    report: Callable[[str], None] = lambda text: None,
) -> Publisher:
    """A seeded plant with its gateways, ready to run. The run is named after the moment it was opened.
    ``speak`` names their format, ``root`` the topics of our own."""
    start = datetime.now(UTC)
    timing = LineClock(speed, clock, start)
    plant = Plant(scenario, seed=seed, bell=bell)
    gateways = {
        each.line: SPEAKERS[speak](
            each.line,
            run=start.isoformat(),
            stamp=timing.stamp,
            root=root,
            ahead=clocks_of(scenario.gateways, each),
            silent=scenario.silent,
            blinks=1.0 if math.isinf(speed) else speed,
        )
        for each in scenario.lines
    }

    def uplink(line: str, station: str) -> Uplink:
        gateway = gateways[line]
        return Uplink(
            broker,
            f"{root}-{line}-{station}-{start:%H%M%S%f}",
            will=partial(gateway.will, station),
            commands=gateway.commands(),
        )

    uplinks: dict[Place, Uplink] = {}
    for line in scenario.lines:
        first = line.stations[0].station
        for each in line.stations:
            shared = uplinks.get((line.line, first)) if gateways[line.line].by_line else None
            uplinks[line.line, each.station] = shared or uplink(line.line, each.station)
    seeded = scenario.seed if seed is None else seed
    return Publisher(
        plant,
        gateways,
        timing,
        uplinks,
        restarts={place: restarts_of(scenario.gateways, seeded, *place) for place in uplinks},
        faults={place: faults_of(scenario.gateways, seeded, *place) for place in uplinks},
        ledger=Ledger(ledger, timing.stamp) if ledger else None,
        observe=observe,
        report=report,
    )
