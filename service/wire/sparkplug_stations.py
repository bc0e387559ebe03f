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
    """The stations by device; "" is the node itself. ``dead``: the devices that were said to be."""

    stations: dict[str, list[Station]] = {}
    dead: list[str] = []


class Stations:
    """``memory``: one piece a node."""

    def __init__(self, memory: Memory[Known]) -> None:
        self._memory = memory
        self._online: dict[tuple[str, str], set[Station]] = {}

    def nodes(self) -> list[str]:
        """Those of which something is known."""
        return list(self._memory.keys())

    def living(self, node: str) -> list[str]:
        """The devices that weren't said to be dead, in the order in which they first spoke."""
        known = self._memory.seen(node)
        return [] if known is None else [each for each in known.stations if each not in known.dead]

    def speak(self, node: str, device: str, natives: Iterable[Native]) -> list[Native]:
        """What is to be said before these: that the stations are heard, unless that was said already."""
        self._note(node, device, natives)
        known = self._memory.seen(node)
        if known is None or device not in known.stations:
            return []
        if device in known.dead:
            self._memory.of(node).dead.remove(device)
        online = self._online.setdefault((node, device), set())
        fresh = [station for station in known.stations[device] if station not in online]
        online.update(fresh)
        return [_link(station, "online") for station in fresh]

    def die(self, node: str, device: str, at: Instant | None = None) -> list[Native]:
        """That the stations aren't heard any more, unless that was said already: since ``at`` by the device's
        clock, else since now by ours."""
        if device not in self.living(node):
            return []
        known = self._memory.of(node)
        known.dead.append(device)
        self._online.pop((node, device), None)
        return [_link(station, "offline", at) for station in known.stations[device]]

    def begin_anew(self) -> None:
        """What was said may be lost."""
        self._online.clear()

    def _note(self, node: str, device: str, natives: Iterable[Native]) -> None:
        known = self._memory.seen(node)
        stations: Sequence[Station] = () if known is None else known.stations.get(device, ())
        heard = ((each.address.line, each.address.station) for each in natives if each.address.station)
        for station in dict.fromkeys(heard):
            if station in stations:
                continue
            known = self._memory.of(node)
            if device in known.stations or len(known.stations) < MOST_DEVICES:
                stations = known.stations.setdefault(device, [])
                stations.append(station)


def _link(station: Station, state: Literal["online", "offline"], at: Instant | None = None) -> Native:
    said = {"state": state} if at is None else {"state": state, "at": to_rfc3339(at)}
    return Native(Address("link", *station), msgspec.json.encode(said))
