"""One topic a value, its payload bare text: what a remote input and output module says, or a bridge to a
fieldbus. Lamps are sampled as they burn: a flashing one goes on and off.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simulators.dialects.board import OF_SUPPLY, Board, Name, Value
from simulators.dialects.lamps import HALF, Lamps
from simulators.events import Event, Supplied, TowerShown
from simulators.messages import Message, Speaker

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
    source = """\
[[source]]
name = "values"
format = "mapped"
value = [
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/placed", means = "placed" },
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/lost", means = "lost" },
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/part", means = "part" },
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/lot", means = "lot" },
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/kind", means = "kind" },
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/quantity", means = "quantity" },
  { name = "ROOT/io/{line}/{station}/feeder/{slot}/reel", means = "supply" },
  { name = "ROOT/io/{line}/{station}/panels", means = "panels" },
  { name = "ROOT/io/{line}/{station}/lamp/{lamp}", means = "lamp" },
  { name = "ROOT/io/{line}/{station}/program", means = "recipe" },
  { name = "ROOT/io/{line}/{station}/usage/{slot}", means = "usage" },
  { name = "ROOT/io/{line}/{station}/link", means = "link" },
  { name = "ROOT/io/{line}/job", means = "order" },
  { name = "ROOT/io/{line}/job_panels", means = "order_panels" },
  { name = "ROOT/io/{line}/job_state", means = "order_state" },
]
"""

    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._board = Board(self._supply_name, self._order_name)
        self._lamps = Lamps(HALF * self._blinks)
        self._lit: dict[tuple[str, str], bool] = {}

    def _encode(self, event: Event) -> list[Message]:
        station: str | None = getattr(event, "station", None)
        said = []
        for kind, changed in self._board.hear(event):
            if isinstance(event, TowerShown):
                said += self._look(event.station, self._lamps.show(event.station, event.tower, event.at))
            elif isinstance(event, Supplied):
                said += self._exchange(event)
            else:
                said += [self._value(kind, station, name, value) for name, value in changed.items()]
        return said

    def _exchange(self, event: Supplied) -> list[Message]:
        """All that is known of the supply, also what is as before."""
        known = self._board.of[event.station].items()
        return [
            self._value("supply", event.station, name, value)
            for name, value in known
            if name.of == event.slot and name.what in OF_SUPPLY
        ]

    def greet(self, station: str, at: float) -> list[Message]:
        """All there is to say."""
        known = self._board.of.get(station, {})
        values = [
            self._value("birth", station, name, value) for name, value in known.items() if name.what != "lamp"
        ]
        return [self._link(station, "online"), *values]

    def will(self, station: str) -> Message:
        return self._link(station, "offline")

    def leave(self, station: str, at: float) -> list[Message]:
        return [self._link(station, "offline")]

    def next_moment(self) -> float | None:
        return self._lamps.next_moment()

    def tick(self, to: float) -> list[Message]:
        return [each for _, station, lit in self._lamps.turn(to) for each in self._look(station, lit)]

    def _look(self, station: str, lit: Mapping[str, bool]) -> list[Message]:
        """Each lamp that changed since the last look."""
        said = []
        for lamp, burns in lit.items():
            if self._lit.get((station, lamp)) != burns:
                self._lit[station, lamp] = burns
                said.append(self._value("tower", station, Name("lamp", lamp), int(burns)))
        return said

    def _link(self, station: str, state: str) -> Message:
        return Message(
            f"{self._root}/io/{self._line}/{station}/link", state.encode(), True, says="link", by=station
        )

    def _value(self, kind: str, station: str | None, name: Name, value: Value) -> Message:
        place = self._line if station is None else f"{self._line}/{station}"
        topic = f"{self._root}/io/{place}/{name.within(_TOPICS)}"
        return Message(topic, str(value).encode(), says=kind, by=station)
