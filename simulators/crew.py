"""The plant's people where they meet the service: they hear its warnings, take a notice when they set out,
and tap that a slot was refilled where no gateway says so."""

from __future__ import annotations

import json
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

from simulators.events import Confirmed, Event, Level, PersonSent
from simulators.processes import ask
from simulators.publisher import Publisher
from simulators.sink import Delivery, Sink

_LEVELS: dict[str, Level] = {"early": "early", "urgent": "urgent", "empty": "empty"}


class Crew:
    """Called from the threads of receiver and plant; speaks HTTP in one of its own."""

    def __init__(self, page: str) -> None:
        self._page = page
        self._caller = ThreadPoolExecutor(1, thread_name_prefix="people")
        self._publisher: Publisher | None = None
        self._sink: Sink | None = None

    def meet(self, publisher: Publisher, sink: Sink) -> None:
        self._publisher, self._sink = publisher, sink

    def hear(self, delivery: Delivery) -> None:
        """What the receiver took: an open supply notice sends somebody, or reminds."""
        notice = delivery.notice
        level = _LEVELS.get(str(notice.get("level")))
        is_open = notice.get("kind") == "supply" and notice.get("state") == "open"
        if self._publisher and level and is_open:
            line, station, slot = (str(notice.get(key)) for key in ("line", "station", "slot"))
            self._publisher.tell(line, station, slot, level)

    def see(self, line: str, event: Event) -> None:
        """What happened in the plant: who sets out takes the slot's notice, who refilled it may say so."""
        match event:
            case PersonSent() if self._sink is not None:
                notice = self._sink.open_notice(line, event.station, event.slot)
                if notice:
                    self._caller.submit(self._say, f"notices/{notice}/take", {"by": event.person})
            case Confirmed():
                slot = f"lines/{line}/stations/{event.station}/slots/{event.slot}"
                said = {"change": event.change, "quantity": event.quantity, "by": event.person}
                self._caller.submit(self._say, f"{slot}/supply", said)

    def _say(self, to: str, what: Mapping[str, object]) -> None:
        try:
            ask(f"{self._page}/api/v1/{to}", json.dumps(what).encode())
        except OSError:
            # Somebody was first, it is closed already, or the service ends: people refill all the same.
            return

    def close(self) -> None:
        self._caller.shutdown(wait=False, cancel_futures=True)
