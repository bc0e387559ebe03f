"""OPC UA PubSub as JSON (OPC 10000-14): a publisher a line, a data set a station.

The first frame of a data set, and each tenth, is a key frame with all fields; between them are delta frames
with what changed, and keep-alive messages when nothing did for a while. 64-bit integers are strings (OPC
10000-6).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from simulators.dialects.board import Board, Value, Values
from simulators.events import Event
from simulators.messages import Message, Speaker, encode_json, rfc3339

KEY_FRAMES = 10
KEEP_ALIVE = 60.0
"""Seconds of the line."""
_OPERATIONAL, _ERROR = 2, 3
"""Of PubSubState."""
_FIELDS = {
    "placed": "{}_Placed",
    "lost": "{}_Lost",
    "part": "{}_Part",
    "lot": "{}_Lot",
    "kind": "{}_Kind",
    "quantity": "{}_Quantity",
    "supply": "{}_Reel",
    "panels": "Panels",
    "lamp": "Tower_{}",
    "recipe": "Program",
    "usage": "{}_Usage",
    "order": "Job",
    "order_panels": "JobPanels",
    "order_state": "JobState",
}


class OpcUa(Speaker):
    by_line = True
    source = """\
[[source]]
name = "opcua"
format = "opcua"
topics = ["ROOT/json/#"]
publisher = "{line}"
writer = "{station}"
keep_alive = 60
value = [
  { name = "{slot}_Placed", means = "placed" },
  { name = "{slot}_Lost", means = "lost" },
  { name = "{slot}_Part", means = "part" },
  { name = "{slot}_Lot", means = "lot" },
  { name = "{slot}_Kind", means = "kind" },
  { name = "{slot}_Quantity", means = "quantity" },
  { name = "{slot}_Reel", means = "supply" },
  { name = "Panels", means = "panels" },
  { name = "Tower_{lamp}", means = "lamp", words = { flashing = "flashing" } },
  { name = "Program", means = "recipe" },
  { name = "{slot}_Usage", means = "usage" },
  { name = "Job", means = "order" },
  { name = "JobPanels", means = "order_panels" },
  { name = "JobState", means = "order_state" },
]
"""

    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._board = Board(self._supply_name, self._order_name)
        self._sequence: dict[str, int] = {}
        self._frames: dict[str, int] = {}
        """Since the last key frame."""
        self._fields: dict[str, int] = {}
        self._quiet: dict[str, float] = {}
        """Since when a data set said nothing."""
        self._said = 0

    def _encode(self, event: Event) -> list[Message]:
        station: str | None = getattr(event, "station", None)
        said = []
        for kind, changed in self._board.hear(event):
            if kind == "birth" and station is not None:
                self._frames[station] = self._sequence[station] = 0
                said.append(self._frame(station, changed, event.at, kind))
            elif kind == "order":
                said += [self._frame(each, changed, event.at, kind) for each in self._frames]
            elif station in self._frames:
                said.append(self._frame(station, changed, event.at, kind))
        return said

    def greet(self, station: str, at: float) -> list[Message]:
        """All there is to say."""
        self._frames = dict.fromkeys(self._frames, 0)
        return [
            self._status(_OPERATIONAL, at),
            *(self._frame(each, {}, at, "birth") for each in self._frames),
        ]

    def will(self, station: str) -> Message:
        return self._status(_ERROR, 0.0)

    def leave(self, station: str, at: float) -> list[Message]:
        return [self._status(_ERROR, at)]

    def next_moment(self) -> float | None:
        return min(self._quiet.values(), default=None)

    def tick(self, to: float) -> list[Message]:
        return [
            self._message(station, {"MessageType": "ua-keepalive"}, moment, "alive")
            for station, moment in list(self._quiet.items())
            if moment <= to
        ]

    def _frame(self, station: str, changed: Values, at: float, kind: str) -> Message:
        every = self._board.of[station] | self._board.line
        key = self._frames[station] % KEY_FRAMES == 0 or len(every) != self._fields.get(station)
        self._fields[station] = len(every)
        self._frames[station] = 1 if key else self._frames[station] + 1
        payload = {
            name.within(_FIELDS): _encoded(value) for name, value in (every if key else changed).items()
        }
        body = {"MessageType": "ua-keyframe" if key else "ua-deltaframe", "Payload": payload}
        return self._message(station, body, at, kind)

    def _message(self, station: str, body: Mapping[str, object], at: float, kind: str) -> Message:
        """A keep-alive tells the number that comes next and doesn't use it up."""
        self._quiet[station] = at + KEEP_ALIVE * self._blinks
        sequence = self._sequence[station]
        self._sequence[station] = sequence + (kind != "alive")
        data_set = {
            "DataSetWriterId": 100 + list(self._frames).index(station),
            "DataSetWriterName": station,
            "SequenceNumber": sequence,
            "MetaDataVersion": {"MajorVersion": 1, "MinorVersion": self._fields[station]},
            "Timestamp": rfc3339(self._moment(station, at)),
            **body,
        }
        network = {"MessageType": "ua-data", "WriterGroupName": "placement", "Messages": [data_set]}
        return self._publish(f"data/{self._line}/placement/{station}", network, says=kind, by=station)

    def _status(self, state: int, at: float) -> Message:
        body = {
            "MessageType": "ua-status",
            "Timestamp": rfc3339(self._moment(None, at)),
            "IsCyclic": False,
            "Status": state,
        }
        return self._publish(f"status/{self._line}", body, says="link", retain=True)

    def _publish(
        self,
        topic: str,
        body: Mapping[str, object],
        *,
        says: str,
        by: str | None = None,
        retain: bool = False,
    ) -> Message:
        self._said += 1
        head = {"MessageId": str(UUID(self._name(self._said)[:32])), "PublisherId": self._line}
        return Message(f"{self._root}/json/{topic}", encode_json({**head, **body}), retain, says=says, by=by)


def _encoded(value: Value) -> str:
    """Every number here is a UInt64."""
    return str(value)
