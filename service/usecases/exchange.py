"""The guided exchange, brought to whoever asks: shown from committed state, and refused where a part doesn't
belong. What was refused is told of by an event.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from concurrent.futures import TimeoutError as Late
from dataclasses import dataclass

import msgspec

from service.desk import Busy, Declined, Read, Unfit
from service.domain import undo, wrong_part
from service.domain.events import Checked
from service.domain.fitting import Verdict
from service.domain.said import Said
from service.domain.state import SITE_KEY, SupplyState, line_key, station_key, supply_key
from service.domain.world import World
from service.usecases.batch import Ask
from service.usecases.guided import Json, Place, check_object, exchange_object, parts_for, place_in
from service.usecases.show import Shown
from service.wire.native import Address

PATIENCE = 5.0
REFUSED = (Verdict.WRONG, Verdict.EXPIRED)
_supplies = msgspec.msgpack.Decoder(SupplyState)
_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanges:
    """The port ``Exchanging``; ``put`` hands an ask to the owner's thread."""

    put: Callable[[Ask], None]
    shown: Shown

    def exchange(self, line: str, station: str, slot: str) -> Json | None:
        place = self._place(line, station, slot)
        return None if place is None else exchange_object(place)

    def parts(self, line: str, station: str, slot: str) -> list[str]:
        place = self._place(line, station, slot)
        return [] if place is None else parts_for(place)

    def check(self, line: str, station: str, slot: str, read: Read, *, by: str) -> Json | None:
        place = self._place(line, station, slot, read.supply)
        if place is None:
            return None
        found = check_object(place, read)
        notice = None
        if found["verdict"] == Verdict.WRONG:
            notice = self._tell(place, found["read"]["part"], read, by)  # type: ignore[index]
        return found | {"notice": notice}

    def require_fit(
        self, line: str, station: str, slot: str, read: Read, *, by: str | None, reason: str | None
    ) -> None:
        place = self._place(line, station, slot, read.supply)
        if reason is not None and by is None:
            raise Unfit("by: a reason needs the name of whoever gives it")
        if place is None or reason is not None:
            return
        found = check_object(place, read)
        if found["verdict"] in REFUSED:
            if found["verdict"] == Verdict.WRONG and by is not None:
                self._tell(place, found["read"]["part"], read, by)  # type: ignore[index]
            raise Declined(str(found["message"]), found["said"], verdict=str(found["verdict"]))

    def require_undoable(
        self, line: str, station: str, slot: str, event: str, *, said_as: str | None = None
    ) -> None:
        place = self._place(line, station, slot)
        if place is not None and said_as is not None and said_as in place.slot.supply_ids:
            return
        if place is not None and undo.can_undo(place.slot, event, place.at):
            return
        self._decline_undo(place, event)

    def require_undone(self, line: str, station: str, slot: str, event: str) -> None:
        place = self._place(line, station, slot)
        if place is not None and place.slot.exchanged is not None and place.slot.exchanged.event == event:
            self._decline_undo(place, event)

    def _decline_undo(self, place: Place | None, event: str) -> None:
        kept = None if place is None else place.slot.exchanged
        if (
            place is not None
            and kept is not None
            and kept.event == event
            and kept.loading == place.slot.loading
        ):
            said = Said("The minute for undoing is over. Say what is in the slot now.")
        else:
            said = Said(
                "Something else happened to the slot since, or the minute is over: nothing is undone."
            )
        raise Declined(said.text, msgspec.to_builtins(said))

    def _tell(self, place: Place, part: str, read: Read, by: str) -> str | None:
        """People are told of the part that was refused; the notice that stands then."""
        station, slot = place.station, place.slot.name
        checked = Checked(
            slot=slot, part=part, by=by, lot=read.lot, supply=read.supply, quantity=read.quantity
        )
        address = Address("check", station.line, station.station)
        ask = Ask(address, checked, _encode(checked), Future())
        self.put(ask)
        try:
            ask.answer.result(timeout=PATIENCE)
        except Late:
            raise Busy("the refusal isn't stored yet") from None
        now = self._place(station.line, station.station, slot)
        notice = None if now is None else wrong_part.find(now.world, now.station, slot)
        return None if notice is None else notice.id

    def _place(self, line: str, station: str, slot: str, supply: str | None = None) -> Place | None:
        world = self._world(line, station, supply)
        return place_in(world, line, station, slot, self.shown.now(world))

    def _world(self, line: str, station: str, supply: str | None) -> World:
        """The committed part of the world that an exchange at a station looks at."""
        committed = self.shown.committed
        keys = {SITE_KEY, line_key(line), station_key(line, station), *self._around(supply)}
        keys |= {key for key in list(committed) if key.startswith("notice/")}
        states = {key: data for key in keys if (data := committed.get(key)) is not None}
        return World.from_states(states, self.shown.memory)

    def _around(self, supply: str | None) -> Iterator[str]:
        """The supply, and the station where it is loaded."""
        data = self.shown.committed.get(supply_key(supply)) if supply is not None else None
        if data is None or supply is None:
            return
        yield supply_key(supply)
        known = _supplies.decode(data)
        if known.where is not None:
            yield line_key(known.where[0])
            yield station_key(*known.where[:2])
