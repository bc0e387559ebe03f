"""One message's turn in a translator of IPC-2591 (CFX): whether it is new, when it happened, what is said
because of it."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec

from service.domain.clock import believed
from service.domain.model import SECOND, Instant, to_datetime
from service.wire.cfx_messages import Heard
from service.wire.cfx_stations import Station
from service.wire.gateway import Memory, Native
from service.wire.native import Address

_MOST_IDS = 128
_SET_BACK = 120 * SECOND
"""Who says only earlier times for so long set its clock back; what is merely late comes among the rest."""
_json = msgspec.json.Encoder().encode


class Sender(msgspec.Struct, array_like=True):
    """Of one source: the ids of its last messages, and its ``newest`` time, which came at ``heard``.
    ``offset``: what its clock was set back by."""

    ids: list[bytes] = []
    newest: Instant = 0
    heard: Instant = 0
    offset: Instant = 0


class Turn(NamedTuple):
    """``at``: when it happened by its sender's clock; ``when``: the same where that can be believed, to tell
    earlier from later; ``now``: when it is heard; ``name``: its id; ``natives``: what is said because of
    it."""

    at: Instant
    when: Instant
    now: Instant
    name: str | None
    retained: bool
    natives: list[Native]

    def is_late(self, last: Instant | None) -> bool:
        """Whether it happened before the last of its kind."""
        return last is not None and self.when < last

    def say(self, kind: str, station: Station, body: dict[str, Any], *, before: Instant = 0) -> None:
        """``before``: so long before it happened."""
        at = to_datetime(self.at - before)
        self.natives.append(Native(Address(kind, *station), _json({"at": at} | body)))

    def say_link(self, station: Station, state: str) -> None:
        """Without a time: a last will was written when its sender came."""
        self.natives.append(Native(Address("link", *station), _json({"state": state})))


def begin(
    senders: Memory[Sender], heard: Heard, now: Instant, natives: list[Native], *, retained: bool
) -> Turn | None:
    """``None``: it was heard before."""
    known = senders.seen(heard.handle)
    if heard.id is not None and known is not None and heard.id.bytes in known.ids:
        return None
    sender = senders.of(heard.handle)
    if heard.id is not None:
        sender.ids = [*sender.ids, heard.id.bytes][-_MOST_IDS:]
    when = _when(sender, heard.at, now, retained=retained)
    return Turn(heard.at, when, now, None if heard.id is None else str(heard.id), retained, natives)


def _when(sender: Sender, at: Instant, now: Instant, *, retained: bool) -> Instant:
    """What the broker kept is old, however old it is."""
    if retained:
        return min(at + sender.offset, now)
    when = at + sender.offset
    if not believed(when, now):
        when = at if believed(at, now) else now
        sender.offset = 0
    if when < sender.newest and now - sender.heard > _SET_BACK:
        sender.offset, when = now - at, now
        sender.newest = when
    if when >= sender.newest:
        sender.newest, sender.heard = when, now
    return when
