"""What a shift came to: supply stops and their minutes, supplies that came to their end, who was told of them
and how often.

Folds the events of a plant and the warnings that reached its people; knows no service and no clock. An
*emptying* is a supply exchanged or spliced because it came to its end; what the setter exchanges at a
changeover is none. It was *told* when a warning about it reached people before the station waited for it or
somebody had exchanged it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from simulators.events import Event, PanelMade, PersonSent, Refilled, Stopped

Place = tuple[str, str, str]
"""Line, station, slot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Emptying:
    """``told_at``: line seconds of the first warning in time; ``waited``: seconds the station stood."""

    place: Place
    at: float
    told_at: float | None
    waited: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """``stops`` and ``minutes`` are those of stations that waited for a supply; ``messages`` what was posted
    to people, each of whom reads all; ``sent`` the errands by how people learned of the need."""

    hours: float
    panels: int
    stops: int
    minutes: float
    exchange_minutes: float
    emptyings: tuple[Emptying, ...]
    untold: tuple[Emptying, ...]
    messages: int
    people: int
    sent: Counter[str]

    @property
    def messages_per_emptying(self) -> float | None:
        return self.messages / len(self.emptyings) if self.emptyings else None

    @property
    def messages_per_person_hour(self) -> float:
        """Everybody of the crew hears everything."""
        return self.messages / self.hours

    @property
    def lead_seconds(self) -> list[float]:
        """From the first warning in time to the exchange or the wait, of each emptying that was told."""
        return sorted(each.at - each.told_at for each in self.emptyings if each.told_at is not None)


@dataclass(slots=True)
class Tally:
    """``last`` names each line's last station: the panels that leave it are the line's. ``setter`` exchanges
    supplies at changeovers."""

    last: dict[str, str]
    setter: str
    people: int
    panels: int = 0
    messages: int = 0
    sent: Counter[str] = field(default_factory=Counter)
    _refills: dict[Place, list[Refilled]] = field(default_factory=lambda: defaultdict(list))
    _stops: dict[Place, list[Stopped]] = field(default_factory=lambda: defaultdict(list))
    _told: dict[Place, list[float]] = field(default_factory=lambda: defaultdict(list))
    _exchanges: float = 0.0

    def see(self, line: str, event: Event) -> None:
        """One event of the plant."""
        match event:
            case PanelMade() if event.station == self.last[line]:
                self.panels += 1
            case Refilled():
                self._refills[line, event.station, event.slot].append(event)
            case Stopped(cause="supply", slot=str(slot)):
                self._stops[line, event.station, slot].append(event)
            case Stopped(cause="exchange"):
                self._exchanges += event.at - event.since
            case PersonSent():
                self.sent[event.learned] += 1

    def hear(self, line: str, station: str, slot: str, at: float) -> None:
        """A warning about the slot reached people, at the line's own second ``at``."""
        self._told[line, station, slot].append(at)

    def outcome(self, hours: float) -> Outcome:
        emptyings = [each for place in sorted(self._refills) for each in self._emptyings(place)]
        stops = [stop for each in self._stops.values() for stop in each]
        return Outcome(
            hours=hours,
            panels=self.panels,
            stops=len(stops),
            minutes=sum(stop.at - stop.since for stop in stops) / 60,
            exchange_minutes=self._exchanges / 60,
            emptyings=tuple(emptyings),
            untold=tuple(each for each in emptyings if each.told_at is None),
            messages=self.messages,
            people=self.people,
            sent=self.sent,
        )

    def _emptyings(self, place: Place) -> list[Emptying]:
        found: list[Emptying] = []
        since = -1.0
        for refill in self._refills[place]:
            if refill.person != self.setter:
                found.append(self._emptying(place, since, refill.at))
            since = refill.at
        return found

    def _emptying(self, place: Place, since: float, refilled: float) -> Emptying:
        waits = [stop for stop in self._stops[place] if since < stop.since <= refilled]
        end = min([refilled, *(stop.since for stop in waits)])
        told = [at for at in self._told[place] if since < at <= end]
        waited = sum(stop.at - stop.since for stop in waits) if waits else None
        return Emptying(place=place, at=end, told_at=min(told, default=None), waited=waited)
