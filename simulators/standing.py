"""When a line was stopped on purpose, to exchange a tray between two panels, and what that cost.

Folds the events of a plant. Exchanges without a panel between them are one stop, also when they are at
several stations of the line at the same time. What is exchanged while the line stands anyway, in a changeover
or a break or beside a slot that ran empty, stops nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from dataclasses import dataclass, field

from simulators.events import Event, OrderSet, PanelMade, Stopped

_STANDS = ("no order", "break", "supply", "exchange")
"""What a station stood for anyway. An exchange among them is one that itself stopped nothing."""


@dataclass(slots=True)
class PlannedStop:
    """``exchanges`` supplies, from the first halt's begin to the last one's end, in seconds."""

    line: str
    since: float
    until: float
    exchanges: int = 1


@dataclass(slots=True)
class Standing:
    """``stops`` in the order in which they ended; ``at_rest`` counts exchanges that stopped nothing."""

    stops: list[PlannedStop] = field(default_factory=list)
    at_rest: int = 0
    _latest: dict[str, PlannedStop] = field(default_factory=dict)
    _halts: dict[tuple[str, str], Stopped] = field(default_factory=dict)
    _panels: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    _rests: dict[str, tuple[float, float]] = field(default_factory=dict)
    """The last time for which the line had no order."""

    @property
    def minutes(self) -> float:
        return sum(each.until - each.since for each in self.stops) / 60

    def see(self, line: str, event: Event) -> None:
        match event:
            case PanelMade():
                self._panels[line].append(event.at)
            case OrderSet(state="finished"):
                self._rests[line] = event.at, float("inf")
            case OrderSet(state="running"):
                self._rests[line] = self._rests.get(line, (event.at, event.at))[0], event.at
            case Stopped(cause="exchange"):
                self._exchanged(line, event)
                self._halts[line, event.station] = event
            case Stopped():
                self._halts[line, event.station] = event

    def _exchanged(self, line: str, halt: Stopped) -> None:
        latest = self._latest.get(line)
        if latest is not None and not self._ran(line, latest.until, halt.since):
            latest.since = min(latest.since, halt.since)
            latest.until = max(latest.until, halt.at)
            latest.exchanges += 1
        elif self._stood(line, halt):
            self.at_rest += 1
        else:
            self._latest[line] = PlannedStop(line, halt.since, halt.at)
            self.stops.append(self._latest[line])

    def _ran(self, line: str, begin: float, end: float) -> bool:
        """Whether a panel was made after ``begin`` and up to ``end``."""
        panels = self._panels[line]
        return begin < end and bisect_right(panels, begin) < bisect_right(panels, end)

    def _stood(self, line: str, halt: Stopped) -> bool:
        """Whether the station wouldn't have run when it was stopped."""
        begin, end = self._rests.get(line, (halt.since, halt.since))
        if begin <= halt.since < end:
            return True
        before = self._halts.get((line, halt.station))
        return before is not None and before.at == halt.since and before.cause in _STANDS
