"""An invented gateway that says JSON of its own: one object a station, feeders in an array, times in
milliseconds since 1970, picks with what was lost among them, lamps as bits.
"""

from __future__ import annotations

from typing import Any

from simulators.events import Counted, Event, OrderSet, RecipeSet, Supplied, TowerShown
from simulators.messages import Message, Speaker, encode_json

LIT = {"red": 1, "yellow": 2, "green": 4, "buzzer": 8}
"""A lamp's bit; the one four places up says that it blinks."""


class Mapped(Speaker):
    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._number: dict[str, int] = {}
        self._exchanges = 0

    def _encode(self, event: Event) -> list[Message]:
        match event:
            case Counted():
                return [self._count(event)]
            case Supplied():
                return [self._exchange(event)]
            case TowerShown():
                return [self._lamps(event)]
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

    def _lamps(self, event: TowerShown) -> Message:
        tower = event.tower
        bits = 0
        for lamp, bit in LIT.items():
            shown = getattr(tower, lamp)
            bits |= bit if shown == "on" else bit << 4 if shown == "flashing" else 0
        body: dict[str, object] = {
            "t": self._milliseconds(event.station, event.at),
            "lamps": bits,
            "at_pos": list(tower.slots),
        }
        return self._message("tower", event.station, "lamps", body)

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
            "either": [list(group) for group in event.alternates],
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
