"""Supply stops and planned stops of the same hours three ways, (a) by the signal towers, (b) with warnings,
(c) with warnings and the plan, and why the stops came that nobody planned; as tables in Markdown.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.domain.model import SECOND
from simulators.events import Event, PersonSent, Refilled, Stopped
from simulators.plant import Plant
from simulators.scenario import Scenario
from simulators.tally import Outcome, Place, Tally
from tests.support.closed_loop import ClosedLoop
from tests.support.planned_loop import PlannedLoop
from tests.support.routed_loop import RoutedLoop
from tests.support.story import START

IN_TIME = 150.0
"""Seconds that somebody needs who reads a warning, fetches one supply and exchanges it."""


_HEADS = (
    "seed",
    "way",
    "panels",
    "supply stops",
    "minutes",
    "planned stops",
    "minutes",
    "exchanged at rest",
    "wasted tape",
    "wasted trays",
    "late",
    "messages",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """The same hours of a seed; ``causes`` of the supply stops with warnings, and with the plan."""

    seed: int
    alone: Outcome
    bell: Outcome
    plan: Outcome
    causes: tuple[Mapping[str, int], Mapping[str, int]]


@dataclass(slots=True)
class Causes:
    """Why stations waited for a supply, as far as it can be told from outside."""

    _stops: list[tuple[Place, float]] = field(default_factory=list)
    _refills: dict[Place, list[Refilled]] = field(default_factory=lambda: defaultdict(list))
    _sent: dict[Place, list[PersonSent]] = field(default_factory=lambda: defaultdict(list))

    def __call__(self, loop: ClosedLoop, line: str, event: Event) -> None:
        match event:
            case Stopped(cause="supply", slot=str(slot)):
                self._stops.append(((line, event.station, slot), event.since))
            case Refilled():
                self._refills[line, event.station, event.slot].append(event)
            case PersonSent():
                self._sent[line, event.station, event.slot].append(event)

    def count(self, loop: RoutedLoop) -> Counter[str]:
        told: dict[Place, list[float]] = defaultdict(list)
        for post in loop.posts:
            for notice in post.notices:
                told[str(notice.line), str(notice.station), str(notice.slot)].append(
                    (post.at - START) / SECOND
                )
        return Counter(self._cause(place, at, told[place]) for place, at in self._stops)

    def _cause(self, place: Place, stop: float, told: Sequence[float]) -> str:
        last = max((each for each in self._refills[place] if each.at <= stop), key=lambda each: each.at)
        heard = [at for at in told if last.at < at < stop]
        sent = [each for each in self._sent[place] if last.at < each.at < stop]
        if sent:
            return (
                "set out too late" if sent[-1].due > stop else "it stood there, nobody exchanged it in time"
            )
        if heard:
            return "told too late" if stop - heard[0] < IN_TIME else "told, nobody set out"
        was_said = last.confirmed_at == last.at
        return "not told" if was_said else "not told: the last exchange was scanned late or never"


def by_the_tower(scenario: Scenario, seed: int, hours: float) -> Outcome:
    plant, tally = Plant(scenario, seed=seed, bell=False), Tally.of(scenario)
    for line, event in plant.advance(hours * 3600):
        tally.see(line, event)
    return tally.outcome(hours)


def with_plan(scenario: Scenario, seed: int, hours: float) -> tuple[Outcome, Counter[str]]:
    causes = Causes()
    loop = PlannedLoop(scenario, seed=seed, watch=causes)
    outcome = loop.run(hours)
    return outcome, causes.count(loop)


# The tables


def table(ways: Sequence[Ways]) -> Iterator[str]:
    """A row for each seed and way, then all seeds together."""
    yield "| " + " | ".join(_HEADS) + " |"
    yield "| --- " * len(_HEADS) + "|"
    for each in ways:
        for way, outcome in (("a", each.alone), ("b", each.bell), ("c", each.plan)):
            yield _row(str(each.seed), way, [outcome])
    if len(ways) > 1:
        yield _row("all", "a", [each.alone for each in ways])
        yield _row("all", "b", [each.bell for each in ways])
        yield _row("all", "c", [each.plan for each in ways])


def _row(seed: str, way: str, outcomes: Sequence[Outcome]) -> str:
    cells = (
        seed,
        way,
        f"{sum(each.panels for each in outcomes)}",
        f"{sum(each.stops for each in outcomes)}",
        f"{sum(each.minutes for each in outcomes):.0f}",
        f"{sum(each.planned for each in outcomes)}",
        f"{sum(each.planned_minutes for each in outcomes):.0f}",
        f"{sum(each.at_rest for each in outcomes)}",
        f"{sum(each.wasted['tape'] for each in outcomes)}",
        f"{sum(each.wasted['tray'] for each in outcomes)}",
        f"{sum(each.late for each in outcomes)}",
        f"{sum(each.messages for each in outcomes)}",
    )
    return "| " + " | ".join(cells) + " |"


def against(ways: Sequence[Ways]) -> Iterator[str]:
    """The two figures that were asked for."""
    alone, plan = sum(each.alone.stops for each in ways), sum(each.plan.stops for each in ways)
    yield f"Supply stops, (c) against (a): {_less(plan, alone)}."
    bell, planned = sum(each.bell.planned for each in ways), sum(each.plan.planned for each in ways)
    yield f"Planned stops, (c) against (b): {_less(planned, bell)}."
    for number, way in enumerate("bc"):
        counted: Counter[str] = Counter()
        for each in ways:
            counted.update(each.causes[number])
        said = "; ".join(f"{cause} {times}" for cause, times in counted.most_common())
        yield f"Why stations waited, ({way}): {said or 'they did not'}."


def _less(now: int, before: int) -> str:
    if not before:
        return "none before"
    more = "more" if now > before else "fewer"
    return f"{now} instead of {before}, {100 * abs(before - now) / before:.0f} % {more}"
