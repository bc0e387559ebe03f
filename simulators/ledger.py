"""The truth as JSON lines: what really was in the slots, what really stopped, and what was said of it.

Every line carries ``what`` and ``at``; what a gateway is going to say is written down before it is said.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Callable
from dataclasses import asdict
from typing import TextIO

from simulators.events import (
    Confirmed,
    Event,
    PanelMade,
    PanelPulled,
    PersonSent,
    Refilled,
    Stopped,
    SupplyEnded,
)
from simulators.messages import Message

_WHAT = {
    PanelMade: "panel",
    PanelPulled: "panel pulled",
    PersonSent: "person sent",
    Refilled: "refill",
    Confirmed: "confirmation",
    Stopped: "stop",
    SupplyEnded: "supply ended",
}


class Ledger:
    def __init__(self, stream: TextIO, stamp: Callable[[float], str]) -> None:
        self._stream = stream
        self._stamp = stamp

    def event(self, line: str, event: Event) -> None:
        """Write down what only the simulator knows. ``line_seconds`` is the line's own time."""
        what = _WHAT.get(type(event))
        if what is None:
            return
        body = asdict(event) | {"at": self._stamp(event.at), "line_seconds": round(event.at, 3)}
        if isinstance(event, Stopped):
            body |= {"since": self._stamp(event.since), "seconds": round(event.at - event.since, 3)}
        if isinstance(event, PersonSent):
            body["due"] = self._stamp(event.due)
        if isinstance(event, Refilled) and event.confirmed_at is not None:
            body["confirmed_at"] = self._stamp(event.confirmed_at)
        if isinstance(event, Confirmed):
            body["moment"] = self._stamp(event.moment)
        self._write({"what": what, "line": line, **body})

    def saying(self, line: str, message: Message) -> None:
        """JSON as it is, anything else as base64."""
        if not message.payload:
            return
        try:
            said = json.loads(message.payload)
        except ValueError:
            said = b64encode(message.payload).decode()
        at = said.get("at") if isinstance(said, dict) else None
        self._write({"what": "said", "line": line, "at": at, "topic": message.topic, "message": said})

    def _write(self, line: dict[str, object]) -> None:
        self._stream.write(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n")
        self._stream.flush()
