"""Of which stations an edge node and its devices speak, and whether those are heard: the links that follow
from births and deaths. What was spoken of outlives a restart, so that a death is understood after it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from service.domain.model import Instant, to_rfc3339
from service.wire.gateway import Memory, Native
from service.wire.native import Address
from service.wire.sparkplug_session import MOST_DEVICES

Station = tuple[str, str]


class Known(msgspec.Struct, array_like=True):
    """The stations by device; "" is the node itself."""

    stations: dict[str, list[Station]] = {}


class Stations:
    """``memory``: one piece a node."""

    def __init__(self, memory: Memory[Known]) -> None:
        self._memory = memory
        self._online: dict[tuple[str, str], set[Station]] = {}
        self._dead: set[tuple[str, str]] = set()

    def nodes(self) -> list[str]:
        """Those of which something is known."""
        return list(self._memory.keys())

    def living(self, node: str) -> list[str]:
        """The devices that weren't said to be dead, in the order in which they first spoke."""
        known = self._memory.seen(node)
        return [] if known is None else [each for each in known.stations if (node, each) not in self._dead]

    def speak(self, node: str, device: str, natives: Iterable[Native]) -> list[Native]:
        """What is to be said before these: that the stations are heard, unless that was said already."""
        stations = self._note(node, device, natives)
        if not stations:
            return []
        self._dead.discard((node, device))
        online = self._online.setdefault((node, device), set())
        fresh = [station for station in stations if station not in online]
        online.update(fresh)
        return [_link(station, "online") for station in fresh]

    def die(self, node: str, device: str, at: Instant | None = None) -> list[Native]:
        """That the stations aren't heard any more, unless that was said already: since ``at`` by the device's
        clock, else since now by ours."""
        stations = self._of(node, device)
        if not stations or (node, device) in self._dead:
            return []
        self._dead.add((node, device))
        self._online.pop((node, device), None)
        return [_link(station, "offline", at) for station in stations]

    def begin_anew(self) -> None:
        """What was said may be lost."""
        self._online.clear()
        self._dead.clear()

    def _of(self, node: str, device: str) -> Sequence[Station]:
        known = self._memory.seen(node)
        return () if known is None else known.stations.get(device, ())

    def _note(self, node: str, device: str, natives: Iterable[Native]) -> Sequence[Station]:
        stations = self._of(node, device)
        heard = ((each.address.line, each.address.station) for each in natives if each.address.station)
        for station in dict.fromkeys(heard):
            if station in stations:
                continue
            known = self._memory.of(node)
            if device in known.stations or len(known.stations) < MOST_DEVICES:
                stations = known.stations.setdefault(device, [])
                stations.append(station)
        return stations


def _link(station: Station, state: Literal["online", "offline"], at: Instant | None = None) -> Native:
    said = {"state": state} if at is None else {"state": state, "at": to_rfc3339(at)}
    return Native(Address("link", *station), msgspec.json.encode(said))
