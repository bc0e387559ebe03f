"""One topic a value, its payload bare text: what a remote input and output module says, or a bridge to a
fieldbus. Lamps are sampled as they burn: a flashing one goes on and off.
"""

from __future__ import annotations

from typing import Any

from simulators.dialects.board import Board, Name, Value, Values
from simulators.events import Event
from simulators.messages import Message, Speaker

HALF = 1.0
"""Seconds that a flashing lamp burns, and that it is dark: 0.5 Hz, within the slow rates of IEC 60073."""
_TOPICS = {
    "placed": "feeder/{}/placed",
    "lost": "feeder/{}/lost",
    "part": "feeder/{}/part",
    "lot": "feeder/{}/lot",
    "kind": "feeder/{}/kind",
    "quantity": "feeder/{}/quantity",
    "supply": "feeder/{}/reel",
    "panels": "panels",
    "lamp": "lamp/{}",
    "recipe": "program",
    "usage": "usage/{}",
    "order": "job",
    "order_panels": "job_panels",
    "order_state": "job_state",
}


class OneByOne(Speaker):
    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._board = Board(self._supply_name, self._order_name)
        self._flashing: dict[tuple[str, str], tuple[float, bool]] = {}
        """When a lamp changes next, and whether it burns."""

    def _encode(self, event: Event) -> list[Message]:
        kind, changed = self._board.hear(event)
        station = None if kind == "order" else getattr(event, "station", None)
        if kind == "tower":
            return self._lamps(str(station), changed, event.at)
        return [self._value(kind, station, name, value) for name, value in changed.items()]

    def greet(self, station: str, at: float) -> list[Message]:
        return [self._link(station, "online")]

    def will(self, station: str) -> Message:
        return self._link(station, "offline")

    def leave(self, station: str, at: float) -> list[Message]:
        return [self._link(station, "offline")]

    def next_moment(self) -> float | None:
        return min((moment for moment, _ in self._flashing.values()), default=None)

    def tick(self, to: float) -> list[Message]:
        said = []
        while (now := self.next_moment()) is not None and now <= to:
            for (station, lamp), (moment, burns) in list(self._flashing.items()):
                if moment == now:
                    self._flashing[station, lamp] = now + HALF * self._blinks, not burns
                    said.append(self._lamp(station, lamp, not burns))
        return said

    def _lamps(self, station: str, changed: Values, at: float) -> list[Message]:
        said = []
        for name, shown in changed.items():
            self._flashing.pop((station, name.of), None)
            if shown == "flashing":
                self._flashing[station, name.of] = at + HALF * self._blinks, True
            said.append(self._lamp(station, name.of, shown != "off"))
        return said

    def _lamp(self, station: str, lamp: str, burns: bool) -> Message:
        return self._value("tower", station, Name("lamp", lamp), int(burns))

    def _link(self, station: str, state: str) -> Message:
        return Message(
            f"{self._root}/io/{self._line}/{station}/link", state.encode(), True, says="link", by=station
        )

    def _value(self, kind: str, station: str | None, name: Name, value: Value) -> Message:
        place = self._line if station is None else f"{self._line}/{station}"
        topic = f"{self._root}/io/{place}/{name.within(_TOPICS)}"
        return Message(topic, str(value).encode(), says=kind, by=station)
