"""What the bell is worth: the same shift twice, once with people who go by the signal towers alone, once with
the warnings of a real service that reach them through its real outlets.

Both shifts have the same seed, so the same panels, orders, stops, losses and label shortness. The first needs
no service and is done in seconds; the second runs against the clock, at a speed. A warning takes the service
some milliseconds, which at speed 100 are seconds of the line: that counts against the bell.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any, TextIO

from simulators.events import Event
from simulators.plant import Plant
from simulators.scenario import Scenario
from simulators.show import SERVICE, Show, ShowError, open_show, until_stopped
from simulators.sink import Delivery
from simulators.tally import Outcome, Tally

SPEED = 60.0


def compare(
    scenario: Scenario,
    *,
    seed: int | None,
    hours: float | None,
    speed: float,
    out: TextIO,
    service: Sequence[str] = SERVICE,
) -> int:
    """Run both shifts and print what they came to; 0, or 1 with the reason when a part fails."""
    hours = scenario.hours if hours is None else hours
    with until_stopped() as stop:
        try:
            _say(out, f"{scenario.name}, seed {scenario.seed if seed is None else seed}, {hours:g} hours")
            alone = by_the_tower(scenario, seed=seed, hours=hours)
            _say(out, f"  tower alone done; with the bell it takes {hours * 60 / speed:.1f} minutes …")
            bell = _Bell(scenario)
            told = bell.shift(stop, seed=seed, hours=hours, speed=speed, service=service)
        except ShowError as error:
            _say(out, f"The comparison ends: {error}")
            return 1
        if told is None:
            return 1
    _say(out, table(alone, told, changes=bell.changes, asked=bell.asked))
    return 0


def by_the_tower(scenario: Scenario, *, seed: int | None, hours: float) -> Outcome:
    """The shift with people who go by towers and buzzers."""
    plant, tally = Plant(scenario, seed=seed, bell=False), Tally.of(scenario)
    for line, event in plant.advance(hours * 3600):
        tally.see(line, event)
    return tally.outcome(hours)


class _Bell:
    """The shift with the bell. ``changes``: changes of notices that were delivered; ``asked``: questions."""

    def __init__(self, scenario: Scenario) -> None:
        self.changes = 0
        self.asked = 0
        self._levels: dict[str, str] = {}
        self._scenario = scenario
        self._tally = Tally.of(scenario)
        self._lock = threading.Lock()
        self._show: Show | None = None

    def shift(
        self, stop: threading.Event, *, seed: int | None, hours: float, speed: float, service: Sequence[str]
    ) -> Outcome | None:
        """What it came to; ``None`` when it was stopped before its end."""
        settings = {**self._scenario.service, "route": _ROUTES}
        with open_show(
            self._scenario,
            stop,
            speed=speed,
            seed=seed,
            settings=settings,
            service=service,
            out=io.StringIO(),
            hear=self._hear,
            see=self._see,
        ) as show:
            self._show = show
            show.begin(hours=hours)
            show.watch()
            if stop.is_set():
                return None
            with self._lock:
                return self._tally.outcome(hours)

    def _see(self, line: str, event: Event) -> None:
        with self._lock:
            self._tally.see(line, event)

    def _hear(self, delivery: Delivery) -> None:
        """Whoever hears the outlet: a warning is told at the plant's second at which it arrives."""
        notice = delivery.notice
        with self._lock:
            self.changes += 1
            self.asked += notice.get("kind") == "question" and delivery.type.endswith("opened")
            self._tally.messages += self._calls(notice)
            if self._show and notice.get("kind") == "supply" and notice.get("state") == "open":
                line, station, slot = (str(notice.get(key)) for key in ("line", "station", "slot"))
                self._tally.hear(line, station, slot, self._show.publisher.now)

    def _calls(self, notice: Mapping[str, Any]) -> bool:
        """Whether it calls for somebody: it is open, or has become worse for whoever took it.

        Counted where every change is heard: the chat's pace goes by the wall clock, which this plant outruns.
        """
        key, level = str(notice.get("id")), str(notice.get("level"))
        worse = level != self._levels.get(key, level)
        self._levels[key] = level
        return notice.get("state") == "open" or (worse and notice.get("state") != "closed")


_ROUTES = [{"outlets": ["receiver"]}, {"outlets": ["chat"], "tells": "calls"}]
"""The receiver hears every change; the chat of the crew only what calls for somebody."""


def table(alone: Outcome, bell: Outcome, *, changes: int, asked: int) -> str:
    """Both outcomes side by side."""
    leads = bell.lead_seconds
    rows = [
        ("", "tower alone", "with the bell"),
        ("panels made", f"{alone.panels}", f"{bell.panels}"),
        ("supply stops", f"{alone.stops}", f"{bell.stops}"),
        ("minutes that stations waited for a supply", f"{alone.minutes:.1f}", f"{bell.minutes:.1f}"),
        (
            "minutes of tray exchanges in time",
            f"{alone.exchange_minutes:.1f}",
            f"{bell.exchange_minutes:.1f}",
        ),
        ("supplies that came to their end", f"{len(alone.emptyings)}", f"{len(bell.emptyings)}"),
        ("of these nobody was told of by the bell", "", f"{len(bell.untold)}"),
        ("changes that call for somebody", "", f"{bell.messages}"),
        ("of these for each supply at its end", "", _number(bell.messages_per_emptying)),
        ("of these for each person and hour", "", f"{bell.messages_per_person_hour:.1f}"),
        ("of these questions what was loaded", "", f"{asked}"),
        ("changes delivered to the receiver", "", f"{changes}"),
        ("seconds from first warning to end, median", "", f"{median(leads):.0f}" if leads else "none"),
    ]
    lines = [f"  {name:<44}{left:>14}{right:>16}" for name, left, right in rows]
    lines += [
        f"  not told: {' '.join(each.place)} at {each.at / 3600:.2f} h, {_number(each.left)} panels left"
        for each in bell.untold
    ]
    return "\n".join(lines)


def _number(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f}"


def _say(out: TextIO, text: str) -> None:
    print(text, file=out, flush=True)
