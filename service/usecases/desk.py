"""What people do, brought to the owner: each call becomes an event and returns after its commit."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as Late
from dataclasses import dataclass

import msgspec

from service.desk import Busy, Conflict, Unfit
from service.domain.events import PersonAct, Readied
from service.domain.life import Taken
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.state import line_key
from service.usecases.batch import Ask
from service.usecases.show import Shown
from service.usecases.slots import Json
from service.wire.native import Address, Misfit, clean_name, read_care, read_message

PATIENCE = 5.0
_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True, kw_only=True)
class AskingDesk:
    """The port ``Desk`` over the owner's queue; ``put`` hands an ask to the owner's thread."""

    put: Callable[[Ask], None]
    shown: Shown

    def supply(self, line: str, station: str, slot: str, body: bytes, *, key: str | None) -> Json:
        try:
            address = Address("supply", clean_name(line, "line"), clean_name(station, "station"))
            name = clean_name(slot, "slot")
            data = _with_slot(body, name, key)
            message = read_message(address, data)
        except Misfit as misfit:
            raise Unfit(str(misfit)) from None
        self._ask(Ask(address, message, data, Future()))
        shown = self.shown.slot(address.line, address.station or "", name)
        if shown is None:
            raise Busy
        return shown

    def readied(self, line: str, *, part: str, kind: str | None, supplies: int, by: str) -> Json:
        if line_key(line) not in self.shown.committed:
            raise KeyError(line)
        said = {"part": part, "kind": kind, "supplies": supplies, "by": by}
        try:
            tick = msgspec.convert(said, Readied)
        except msgspec.ValidationError as error:
            raise Unfit(str(error)) from None
        self._ask(Ask(Address("ready", line, None), tick, _encode(tick), Future()))
        return self.shown.ready(line, part, kind)

    def care(self, supply: str, body: bytes) -> Json:
        try:
            said = read_care(supply, body)
        except Misfit as misfit:
            raise Unfit(str(misfit)) from None
        self._ask(Ask(Address("care", "", None), said, _encode(said), Future()))
        found = self.shown.supplies(said.supply)
        if not found:
            raise Busy
        return found[0]

    def take(self, notice_id: str, *, by: str) -> Json:
        return self._act(PersonAct(notice=notice_id, action="take", by=by))

    def release(self, notice_id: str, *, by: str) -> Json:
        return self._act(PersonAct(notice=notice_id, action="release", by=by))

    def quiet(self, notice_id: str, *, by: str, panels: int | None, until: Instant | None) -> Json:
        return self._act(PersonAct(notice=notice_id, action="quiet", by=by, panels=panels, until=until))

    def close(self, notice_id: str, *, by: str, reason: str) -> Json:
        return self._act(PersonAct(notice=notice_id, action="close", by=by, reason=reason))

    def _act(self, act: PersonAct) -> Json:
        notice = self.shown.archive.notice(act.notice)
        if notice is None:
            raise KeyError(act.notice)
        address = Address("person", notice.line or "", notice.station, notice.slot)
        try:
            self._ask(Ask(address, act, _encode(act), Future()))
        except (Taken, KeyError):
            # The owner may know no more of a notice that ended long ago: it is closed all the same.
            raise Conflict(self.shown.archive.notice(act.notice) or notice) from None
        return self.shown.notice(act.notice) or {}

    def _ask(self, ask: Ask) -> list[Told]:
        self.put(ask)
        try:
            return ask.answer.result(timeout=PATIENCE)
        except Late:
            raise Busy("the change isn't stored yet") from None


def _with_slot(body: bytes, slot: str, key: str | None) -> bytes:
    """The body as a supply message: the slot from the path, the id from the body or the key."""
    try:
        fields = msgspec.json.decode(body, type=dict[str, msgspec.Raw])
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError) as error:
        raise Misfit(f"the body must be a JSON object: {error}") from None
    if key is not None and fields.get("id", b"null") == b"null":
        fields["id"] = msgspec.Raw(_encode(key))
    fields["slot"] = msgspec.Raw(_encode(slot))
    return _encode(fields)
