"""The truth as JSON lines: what really was in the slots, what really stopped, and what was said of it.

Every line carries ``what`` and ``at``; what a gateway is going to say is written down before it is said.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from typing import TextIO

from simulators.events import Event, PanelMade, PanelPulled, PersonSent, Stopped, SupplyEnded
from simulators.messages import Message

_WHAT = {
    PanelMade: "panel",
    PanelPulled: "panel pulled",
    PersonSent: "person sent",
    Stopped: "stop",
    SupplyEnded: "supply ended",
}


class Ledger:
    def __init__(self, stream: TextIO, stamp: Callable[[float], str]) -> None:
        self._stream = stream
        self._stamp = stamp

    def event(self, event: Event) -> None:
        """Write down what only the simulator knows. ``line_seconds`` is the line's own time."""
        what = _WHAT.get(type(event))
        if what is None:
            return
        body = asdict(event) | {"at": self._stamp(event.at), "line_seconds": round(event.at, 3)}
        if isinstance(event, Stopped):
            body |= {"since": self._stamp(event.since), "seconds": round(event.at - event.since, 3)}
        if isinstance(event, PersonSent):
            body["due"] = self._stamp(event.due)
        self._write({"what": what, **body})

    def saying(self, message: Message) -> None:
        if message.payload:
            said = json.loads(message.payload)
            self._write({"what": "said", "at": said.get("at"), "topic": message.topic, "message": said})

    def _write(self, line: dict[str, object]) -> None:
        self._stream.write(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n")
        self._stream.flush()
