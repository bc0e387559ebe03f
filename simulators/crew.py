"""The line's people where they meet the service: they hear its warnings and take a notice when they set
out."""

from __future__ import annotations

import json
import urllib.request
from concurrent.futures import ThreadPoolExecutor

from simulators.events import Event, PersonSent
from simulators.publisher import Publisher
from simulators.sink import Delivery, Sink


class Crew:
    """Called from the threads of receiver and line; speaks HTTP in one of its own."""

    def __init__(self, page: str) -> None:
        self._page = page
        self._caller = ThreadPoolExecutor(1, thread_name_prefix="people")
        self._publisher: Publisher | None = None
        self._sink: Sink | None = None

    def meet(self, publisher: Publisher, sink: Sink) -> None:
        self._publisher, self._sink = publisher, sink

    def hear(self, delivery: Delivery) -> None:
        notice = delivery.notice
        if self._publisher and notice.get("kind") == "supply" and notice.get("state") == "open":
            self._publisher.tell(str(notice["station"]), str(notice["slot"]), notice["level"])

    def see(self, event: Event) -> None:
        if not isinstance(event, PersonSent) or self._sink is None:
            return
        notice = self._sink.open_notice(event.station, event.slot)
        if notice:
            self._caller.submit(self._take, notice, event.person)

    def _take(self, notice: str, person: str) -> None:
        request = urllib.request.Request(  # noqa: S310 - our own address
            f"{self._page}/api/v1/notices/{notice}/take",
            data=json.dumps({"by": person}).encode(),
            headers={"content-type": "application/json"},
        )
        try:
            urllib.request.urlopen(request, timeout=2).close()  # noqa: S310
        except OSError:
            # Somebody was first, it is closed already, or the service ends: people refill all the same.
            return

    def close(self) -> None:
        self._caller.shutdown(wait=False, cancel_futures=True)
