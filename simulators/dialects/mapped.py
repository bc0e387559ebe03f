"""An invented gateway that says JSON of its own: one object a station, feeders in an array, times in
milliseconds since 1970, picks with what was lost among them, lamps as bits that are looked at as they burn.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simulators.dialects.lamps import HALF, Lamps
from simulators.events import Counted, Event, OrderSet, RecipeSet, Supplied, TowerShown
from simulators.messages import Message, Speaker, encode_json

_BITS = {"red": 0, "yellow": 1, "green": 2, "buzzer": 3}


class Mapped(Speaker):
    source = """\
[[source]]
name = "mapped"
format = "mapped"

[[source.message]]
topic = "ROOT/gw/{line}/{station}/feeders"
gives = "count"
time = "ms"
take.at = "t"
take.session = "boot"
take.seq = "n"
take.panels = "boards"
take.slots = "feeders"
take.slot = "pos"
take.picked = "picked"
take.lost = "dropped"

[[source.message]]
topic = "ROOT/gw/{line}/{station}/exchange"
gives = "supply"
time = "ms"
take.at = "t"
take.id = "uid"
take.slot = "pos"
take.change = "what"
take.kind = "pack"
take.part = "pn"
take.lot = "lot"
take.supply = "reel"
take.quantity = "qty"
take.by = "who"
words = { NEW = "loaded", SPLICE = "joined", REEL = "tape", TRAY = "tray" }

[[source.message]]
topic = "ROOT/gw/{line}/{station}/lamps"
gives = "tower"
time = "ms"
take.at = "t"
take.lamps = "lamps"
bits = { 0 = "red", 1 = "yellow", 2 = "green", 3 = "buzzer" }

[[source.message]]
topic = "ROOT/gw/{line}/{station}/program/+"
gives = "recipe"
time = "ms"
take.at = "t"
take.recipe = "program"
take.boards_per_panel = "images"
take.active = "runs"
take.slots = "per_board"
take.slot = "pos"
take.usage = "parts"
take.part = "pn"

[[source.message]]
topic = "ROOT/gw/{line}/job"
gives = "order"
time = "ms"
take.at = "t"
take.order = "job"
take.recipe = "program"
take.panels = "boards"
take.state = "phase"
words = { WAIT = "queued", RUN = "running", DONE = "finished" }

[[source.message]]
topic = "ROOT/gw/{line}/{station}/alive"
gives = "link"
take.state = "up"
"""

    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._number: dict[str, int] = {}
        self._exchanges = 0
        self._lamps = Lamps(HALF * self._blinks)

    def _encode(self, event: Event) -> list[Message]:
        match event:
            case Counted():
                return [self._count(event)]
            case Supplied():
                return [self._exchange(event)]
            case TowerShown():
                lit = self._lamps.show(event.station, event.tower, event.at)
                return [self._tower(event.station, lit, event.at)]
            case RecipeSet():
                return [self._program(event)]
            case OrderSet():
                return [self._job(event)]
            case _:
                return []

    def greet(self, station: str, at: float) -> list[Message]:
        return [self._link(station, True)]

    def will(self, station: str) -> Message:
        return self._link(station, False)

    def leave(self, station: str, at: float) -> list[Message]:
        return [self._link(station, False)]

    def _link(self, station: str, up: bool) -> Message:
        return self._message("link", station, "alive", {"up": up}, retain=True)

    def _count(self, event: Counted) -> Message:
        number = self._number[event.station] = self._number.get(event.station, 0) + 1
        boot = event.life or self._name("boot", event.station)[:8]
        body: dict[str, object] = {
            "t": self._milliseconds(event.station, event.at),
            "boot": boot,
            "n": number,
            "boards": event.panels,
            "feeders": [
                {"pos": slot, "picked": placed + lost, "dropped": lost}
                for slot, (placed, lost) in event.slots.items()
            ],
        }
        return self._message("count", event.station, "feeders", body)

    def _exchange(self, event: Supplied) -> Message:
        self._exchanges += 1
        body: dict[str, object] = {
            "t": self._milliseconds(event.station, event.moment),
            "uid": self._name("exchange", self._exchanges)[:12],
            "pos": event.slot,
            "what": {"loaded": "NEW", "joined": "SPLICE"}[event.change],
            "pack": {"tape": "REEL", "tray": "TRAY"}[event.kind],
            "pn": event.part,
            "lot": event.lot,
            "reel": self._supply_name(event.supply),
            "qty": event.quantity,
            "trays": event.trays if event.kind == "tray" else None,
            "who": event.by,
        }
        return self._message("supply", event.station, "exchange", body)

    def next_moment(self) -> float | None:
        return self._lamps.next_moment()

    def tick(self, to: float) -> list[Message]:
        return [self._tower(station, lit, at) for at, station, lit in self._lamps.turn(to)]

    def _tower(self, station: str, lit: Mapping[str, bool], at: float) -> Message:
        bits = sum(burns << _BITS[lamp] for lamp, burns in lit.items())
        return self._message("tower", station, "lamps", {"t": self._milliseconds(station, at), "lamps": bits})

    def _program(self, event: RecipeSet) -> Message:
        body: dict[str, object] = {
            "t": self._milliseconds(event.station, event.at),
            "program": event.recipe,
            "images": event.boards_per_panel,
            "runs": event.active,
            "per_board": [
                {"pos": slot, "parts": parts, "pn": event.parts.get(slot)}
                for slot, parts in event.usage.items()
            ],
        }
        return self._message("recipe", event.station, f"program/{event.recipe}", body, retain=True)

    def _job(self, event: OrderSet) -> Message:
        body: dict[str, object] = {
            "t": self._milliseconds(None, event.at),
            "job": self._order_name(event.number),
            "program": event.recipe,
            "boards": event.panels,
            "phase": {"queued": "WAIT", "running": "RUN", "finished": "DONE"}[event.state],
        }
        return self._message("order", None, "job", body)

    def _milliseconds(self, station: str | None, at: float) -> int:
        return round(self._moment(station, at).timestamp() * 1000)

    def _message(
        self, kind: str, station: str | None, last: str, body: dict[str, object], *, retain: bool = False
    ) -> Message:
        place = self._line if station is None else f"{self._line}/{station}"
        return Message(f"{self._root}/gw/{place}/{last}", encode_json(body), retain, says=kind, by=station)
