"""Lamps as they burn: what only sees whether a lamp is lit sees a flashing one go on and off."""

from __future__ import annotations

from simulators.dialects.board import LAMPS
from simulators.events import Tower

HALF = 1.0
"""Seconds that a flashing lamp burns, and that it is dark: 0.5 Hz, within the slow rates of IEC 60073."""


class Lamps:
    """Of one line; ``half`` in its seconds."""

    def __init__(self, half: float) -> None:
        self._half = half
        self._lit: dict[str, dict[str, bool]] = {}
        self._turns: dict[tuple[str, str], float] = {}
        """When a flashing one changes next."""

    def show(self, station: str, tower: Tower, at: float) -> dict[str, bool]:
        """Which lamps of the station are lit now."""
        lit = self._lit.setdefault(station, {})
        for lamp in LAMPS:
            shown = getattr(tower, lamp)
            if shown != "flashing":
                self._turns.pop((station, lamp), None)
                lit[lamp] = shown == "on"
            elif (station, lamp) not in self._turns:
                self._turns[station, lamp] = at + self._half
                lit[lamp] = True
        return dict(lit)

    def next_moment(self) -> float | None:
        return min(self._turns.values(), default=None)

    def turn(self, to: float) -> list[tuple[float, str, dict[str, bool]]]:
        """Moment, station and its lamps, for each time that one of them changes up to then."""
        seen = []
        while (now := self.next_moment()) is not None and now <= to:
            turning = [place for place, moment in self._turns.items() if moment == now]
            for station, lamp in turning:
                self._turns[station, lamp] = now + self._half
                self._lit[station][lamp] = not self._lit[station][lamp]
            seen += [(now, each, dict(self._lit[each])) for each in dict.fromkeys(s for s, _ in turning)]
        return seen
