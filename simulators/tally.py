"""What a shift came to: supply stops and their minutes, supplies that came to their end, who was told of them
and how often.

Folds the events of a plant and the warnings that reached its people; knows no service and no clock. An
*emptying* is a supply that came to its end: the station waited for it, people were told of it, or it was
exchanged with no more than ``lead`` panels left while its order needed more. What was exchanged earlier, on
the way or at a changeover, is none, nor is a slot whose alternates feed on. It was *told* when a warning
about it reached people before the station waited for it or somebody had exchanged it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

from simulators.events import (
    Event,
    OrderSet,
    PanelMade,
    PersonSent,
    RecipeSet,
    Refilled,
    Stopped,
    SupplyEnded,
)
from simulators.scenario import Scenario
from simulators.standing import Standing

Place = tuple[str, str, str]
"""Line, station, slot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Emptying:
    """``told_at``: line seconds of the first warning in time; ``waited``: seconds the station stood;
    ``left``: panels that the supply would really have lasted when it was exchanged."""

    place: Place
    at: float
    left: float | None
    told_at: float | None
    waited: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """``stops`` and ``minutes`` are those of stations that waited for a supply; ``messages`` what was posted
    to call for people, each of whom reads all; ``sent`` the errands by how people learned of the need.
    ``planned`` are stops on purpose, ``at_rest`` exchanges that needed none because the line stood;
    ``wasted`` the parts by kind of supply that came out with a rest nobody keeps; ``late`` the exchanges for
    which less was left than the next panel needs."""

    hours: float
    panels: int
    stops: int
    minutes: float
    exchange_minutes: float
    emptyings: tuple[Emptying, ...]
    untold: tuple[Emptying, ...]
    messages: int
    sent: Counter[str]
    planned: int
    planned_minutes: float
    at_rest: int
    wasted: Counter[str]
    late: int

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
    supplies at changeovers. ``alternates``: slots that feed one another's placements; ``lead``: how many
    panels before the end people want to be told."""

    last: Mapping[str, str]
    setter: str
    lead: int
    alternates: Mapping[Place, frozenset[str]]
    panels: int = 0
    messages: int = 0
    sent: Counter[str] = field(default_factory=Counter)
    wasted: Counter[str] = field(default_factory=Counter)
    late: int = 0
    _standing: Standing = field(default_factory=Standing)
    _stops: dict[Place, list[Stopped]] = field(default_factory=lambda: defaultdict(list))
    _told: dict[Place, list[float]] = field(default_factory=lambda: defaultdict(list))
    _left: dict[tuple[str, str], Mapping[str, int]] = field(default_factory=dict)
    _exchanges: float = 0.0
    _usage: dict[tuple[str, str], Mapping[str, int]] = field(default_factory=dict)
    _ordered: dict[str, int] = field(default_factory=dict)
    _done: Counter[tuple[str, str]] = field(default_factory=Counter)
    _refilled: dict[Place, list[tuple[Refilled, float | None, bool]]] = field(
        default_factory=lambda: defaultdict(list)
    )

    @classmethod
    def of(cls, scenario: Scenario) -> Tally:
        """For the lines and people of a scenario."""
        return cls(
            last={each.line: each.stations[-1].station for each in scenario.lines},
            setter=scenario.people.setter,
            lead=_lead(scenario),
            alternates={
                (line.line, station, slot): frozenset(group) - {slot}
                for line in scenario.lines
                for recipe in line.recipes
                for station, groups in recipe.alternates.items()
                for group in groups
                for slot in group
            },
        )

    def see(self, line: str, event: Event) -> None:
        """One event of the plant."""
        self._standing.see(line, event)
        match event:
            case PanelMade():
                self.panels += event.station == self.last[line]
                self._left[line, event.station] = event.left
                self._done[line, event.station] += 1
            case OrderSet(state="running"):
                self._ordered[line] = event.panels
                for station in [of for of in self._done if of[0] == line]:
                    self._done[station] = 0
            case RecipeSet(active=True):
                self._usage[line, event.station] = event.usage
            case Refilled():
                place = (line, event.station, event.slot)
                left = self._lasts(place)
                self.late += event.person != self.setter and left is not None and left < 1
                self._refilled[place].append((event, left, self._came_to_its_end(place, left)))
            case Stopped(cause="supply", slot=str(slot)):
                self._stops[line, event.station, slot].append(event)
            case Stopped(cause="exchange"):
                self._exchanges += event.at - event.since
            case SupplyEnded(kept=False):
                self.wasted[event.kind] += event.left
            case PersonSent():
                self.sent[event.learned] += 1

    def hear(self, line: str, station: str, slot: str, at: float) -> None:
        """A warning about the slot reached people, at the line's own second ``at``."""
        self._told[line, station, slot].append(at)

    def _lasts(self, place: Place) -> float | None:
        """Panels that the slot and its alternates would really feed; ``None`` where it isn't in use."""
        line, station, slot = place
        members = {slot, *self.alternates.get(place, ())}
        usage = max((self._usage.get((line, station), {}).get(name, 0) for name in members), default=0)
        left = self._left.get((line, station), {})
        return sum(left.get(name, 0) for name in members) / usage if usage else None

    def _came_to_its_end(self, place: Place, left: float | None) -> bool:
        ordered = self._ordered.get(place[0], 0) - self._done[place[:2]]
        return left is not None and left <= self.lead and left < ordered

    def outcome(self, hours: float) -> Outcome:
        emptyings = [each for place in sorted(self._refilled) for each in self._emptyings(place)]
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
            sent=self.sent,
            planned=len(self._standing.stops),
            planned_minutes=self._standing.minutes,
            at_rest=self._standing.at_rest,
            wasted=self.wasted,
            late=self.late,
        )

    def _emptyings(self, place: Place) -> list[Emptying]:
        found: list[Emptying] = []
        since = -1.0
        for refill, left, ended in self._refilled[place]:
            each = self._emptying(place, since, refill.at, left)
            noted = each.told_at is not None or each.waited is not None
            if refill.person != self.setter and (ended or noted):
                found.append(each)
            since = refill.at
        return found

    def _emptying(self, place: Place, since: float, refilled: float, left: float | None) -> Emptying:
        waits = [stop for stop in self._stops[place] if since < stop.since <= refilled]
        end = min([refilled, *(stop.since for stop in waits)])
        told = [at for at in self._told[place] if since < at <= end]
        waited = sum(stop.at - stop.since for stop in waits) if waits else None
        return Emptying(place=place, at=end, told_at=min(told, default=None), waited=waited, left=left)


def _lead(scenario: Scenario) -> int:
    warn = scenario.service.get("warn")
    lead = warn.get("lead_panels") if isinstance(warn, Mapping) else None
    return lead if isinstance(lead, int) else 10
