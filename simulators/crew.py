"""The line's people where they meet the service: they hear its warnings and take a notice when they set
out."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor

from simulators.events import Event, PersonSent
from simulators.line import Level
from simulators.processes import ask
from simulators.publisher import Publisher
from simulators.sink import Delivery, Sink


class Crew:
    """The people of one line: another line's warnings are not theirs. Called from the threads of receiver and
    line; speaks HTTP in one of its own."""

    def __init__(self, line: str, page: str) -> None:
        self._line = line
        self._page = page
        self._caller = ThreadPoolExecutor(1, thread_name_prefix="people")
        self._publisher: Publisher | None = None
        self._sink: Sink | None = None

    def meet(self, publisher: Publisher, sink: Sink) -> None:
        self._publisher, self._sink = publisher, sink

    def hear(self, delivery: Delivery) -> None:
        """What the receiver took: an open supply notice of our line sends somebody, or reminds."""
        notice = delivery.notice
        ours = notice.get("line") == self._line and notice.get("kind") == "supply"
        if self._publisher and ours and notice.get("state") == "open":
            level: Level = "early" if notice.get("level") == "early" else "urgent"
            self._publisher.tell(str(notice.get("station")), str(notice.get("slot")), level)

    def see(self, event: Event) -> None:
        """What happened on the line: who sets out takes the slot's notice."""
        if not isinstance(event, PersonSent) or self._sink is None:
            return
        notice = self._sink.open_notice(self._line, event.station, event.slot)
        if notice:
            self._caller.submit(self._take, notice, event.person)

    def _take(self, notice: str, person: str) -> None:
        try:
            ask(f"{self._page}/api/v1/notices/{notice}/take", json.dumps({"by": person}).encode())
        except OSError:
            # Somebody was first, it is closed already, or the service ends: people refill all the same.
            return

    def close(self) -> None:
        self._caller.shutdown(wait=False, cancel_futures=True)
