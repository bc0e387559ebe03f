"""An Eclipse Sparkplug B 3.0 edge node: the line is the node, each station a device.

Births name every metric with its alias, data says those that changed by alias alone. ``seq`` counts all of
the node's messages, ``bdSeq`` its connections. A station whose gateway restarts dies and is born again; a
rebirth is given to whoever commands it.
"""

from __future__ import annotations

from typing import Any

from simulators.dialects.board import Board, Name, Value, Values
from simulators.dialects.protobuf import fields, number, text
from simulators.events import Event
from simulators.messages import Message, Speaker

REBIRTH = "Node Control/Rebirth"
_UINT64, _BOOLEAN, _STRING = 8, 11, 12
_METRICS = {
    "placed": "Feeders/{}/Placed",
    "lost": "Feeders/{}/Lost",
    "part": "Feeders/{}/Part",
    "lot": "Feeders/{}/Lot",
    "kind": "Feeders/{}/Kind",
    "quantity": "Feeders/{}/Quantity",
    "supply": "Feeders/{}/Reel",
    "panels": "Panels",
    "lamp": "Tower/{}",
    "recipe": "Program/Name",
    "usage": "Program/Usage/{}",
    "order": "Job/Name",
    "order_panels": "Job/Panels",
    "order_state": "Job/State",
}


_OF_NODE = (Name("order"), Name("order_panels"), Name("order_state"))


class Sparkplug(Speaker):
    by_line = True
    source = """\
[[source]]
name = "sparkplug"
format = "sparkplug"
group = "ROOT"
node = "{line}"
device = "{station}"
value = [
  { name = "Feeders/{slot}/Placed", means = "placed" },
  { name = "Feeders/{slot}/Lost", means = "lost" },
  { name = "Feeders/{slot}/Part", means = "part" },
  { name = "Feeders/{slot}/Lot", means = "lot" },
  { name = "Feeders/{slot}/Kind", means = "kind" },
  { name = "Feeders/{slot}/Quantity", means = "quantity" },
  { name = "Feeders/{slot}/Reel", means = "supply" },
  { name = "Panels", means = "panels" },
  { name = "Tower/{lamp}", means = "lamp", words = { flashing = "flashing" } },
  { name = "Program/Name", means = "recipe" },
  { name = "Program/Usage/{slot}", means = "usage" },
  { name = "Job/Name", means = "order" },
  { name = "Job/Panels", means = "order_panels" },
  { name = "Job/State", means = "order_state" },
]
"""

    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._board = Board(self._supply_name, self._order_name)
        self._aliases: dict[tuple[str | None, Name], int] = {}
        for name in _OF_NODE:
            self._alias(None, name)
        self._born: dict[str, None] = {}
        """The devices, in order."""
        self._seq = 0
        self._bd_seq = -1
        self._was_born = False

    def _encode(self, event: Event) -> list[Message]:
        """Before the node's first birth nothing is said: that says it all."""
        said = self._changes(event)
        return said if self._was_born else []

    def _changes(self, event: Event) -> list[Message]:
        station: str | None = getattr(event, "station", None)
        said = []
        for kind, changed in self._board.hear(event):
            if kind == "birth" and station is not None:
                said += self._start(station, event.at)
            elif kind == "order":
                said.append(self._data("NDATA", None, changed, event.at, kind))
            elif station in self._born:
                said.append(self._change(station, changed, event.at, kind))
        return said

    def _start(self, station: str, at: float) -> list[Message]:
        death = [self._say("DDEATH", station, [], at)] if station in self._born else []
        self._born[station] = None
        return [*death, self._birth(station, at)]

    def _change(self, station: str, changed: Values, at: float, kind: str) -> Message:
        """What a birth didn't name can't be said before another did."""
        if any((station, name) not in self._aliases for name in changed):
            return self._birth(station, at)
        return self._data("DDATA", station, changed, at, kind)

    def greet(self, station: str, at: float) -> list[Message]:
        return self._births(at)

    def will(self, station: str) -> Message:
        """Each is of the connection that comes next."""
        self._bd_seq = (self._bd_seq + 1) % 256
        return self._death()

    def leave(self, station: str, at: float) -> list[Message]:
        """Once for the node."""
        said, self._born = [self._death()] if self._born else [], {}
        return said

    def commands(self) -> str:
        return f"spBv1.0/{self._root}/NCMD/{self._line}"

    def obey(self, topic: str, payload: bytes, at: float) -> list[Message]:
        metrics = [
            dict(fields(value)) for key, value in fields(payload) if key == 2 and isinstance(value, bytes)
        ]
        wanted = any(each.get(1) == REBIRTH.encode() and each.get(14) == 1 for each in metrics)
        return self._births(at) if wanted else []

    def _births(self, at: float) -> list[Message]:
        self._seq, self._was_born = 0, True
        metrics = [
            self._metric(self._bd_seq, name="bdSeq"),
            self._metric(False, name=REBIRTH),
            *(self._named(None, name, self._board.line.get(name)) for name in _OF_NODE),
        ]
        node = self._say("NBIRTH", None, metrics, at)
        return [node, *(self._birth(station, at) for station in self._born)]

    def _birth(self, station: str, at: float) -> Message:
        metrics = [self._named(station, name, value) for name, value in self._board.of[station].items()]
        return self._say("DBIRTH", station, metrics, at)

    def _death(self) -> Message:
        """Of the node; it is no part of the sequence."""
        payload = text(2, self._metric(self._bd_seq, name="bdSeq"))
        return Message(f"spBv1.0/{self._root}/NDEATH/{self._line}", payload, says="link")

    def _data(self, what: str, station: str | None, changed: Values, at: float, says: str) -> Message:
        metrics = [self._metric(value, alias=self._aliases[station, name]) for name, value in changed.items()]
        return self._say(what, station, metrics, at, says)

    def _say(
        self, what: str, station: str | None, metrics: list[bytes], at: float, says: str = "birth"
    ) -> Message:
        seq, self._seq = self._seq, (self._seq + 1) % 256
        milliseconds = round(self._moment(station, at).timestamp() * 1000)
        payload = number(1, milliseconds) + b"".join(text(2, each) for each in metrics) + number(3, seq)
        topic = f"spBv1.0/{self._root}/{what}/{self._line}" + (f"/{station}" if station else "")
        return Message(topic, payload, qos=0, says=says, by=station)

    def _alias(self, station: str | None, name: Name) -> int:
        return self._aliases.setdefault((station, name), len(self._aliases) + 1)

    def _named(self, station: str | None, name: Name, value: Value | None) -> bytes:
        return self._metric(value, name=name.within(_METRICS), alias=self._alias(station, name))

    def _metric(self, value: Value | None, *, name: str = "", alias: int = 0) -> bytes:
        """No alias is 0 and no name empty: neither is written then. ``None``: it isn't known."""
        out = (text(1, name) if name else b"") + (number(2, alias) if alias else b"")
        if value is None:
            return out + number(4, _STRING) + number(7, 1)
        if isinstance(value, bool):
            return out + number(4, _BOOLEAN) + number(14, value)
        if isinstance(value, int):
            return out + number(4, _UINT64) + number(11, value)
        return out + number(4, _STRING) + text(15, value)
