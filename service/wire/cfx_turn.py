"""One message's turn in a translator of IPC-2591 (CFX)."""

from __future__ import annotations

from typing import Any, Literal, NamedTuple

import msgspec

from service.domain.clock import AHEAD
from service.domain.model import Instant, to_datetime
from service.wire.cfx_stations import Station
from service.wire.gateway import Native
from service.wire.native import Address

_json = msgspec.json.Encoder().encode


class Turn(NamedTuple):
    """``at``: when it happened; ``now``: when it is heard; ``name``: its id; ``natives``: what is said
    because of it."""

    at: Instant
    now: Instant
    name: str | None
    retained: bool
    natives: list[Native]

    def is_late(self, last: Instant | None) -> bool:
        """Whether it happened before the last of its kind; a last one from the future was a wrong clock's."""
        return last is not None and self.at < last <= self.now + AHEAD

    def say(self, kind: str, station: Station, body: dict[str, Any], *, since: Instant | None = None) -> None:
        at = to_datetime(self.at if since is None else since)
        self.natives.append(Native(Address(kind, *station), _json({"at": at} | body)))

    def say_link(self, station: Station, state: Literal["online", "offline"]) -> None:
        """Without a time: a last will was written when its sender came."""
        self.natives.append(Native(Address("link", *station), _json({"state": state})))
