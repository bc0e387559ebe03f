"""Simulated shifts as recordings, with the truth beside them: in virtual time, in the journal's own lines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import msgspec

from service.domain.events import JournalEntry
from service.wire.journal import Exporter, StartState
from simulators.events import Event
from simulators.scenario import Scenario
from tests.support.closed_loop import ClosedLoop
from tests.support.planned_loop import PlannedLoop
from tests.support.story import START

Alter = Callable[[JournalEntry], JournalEntry | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """``lines`` are an export, ``events`` what really happened on which line."""

    scenario: Scenario
    hours: float
    lines: list[bytes]
    events: list[tuple[str, Event]]


def shift(
    scenario: Scenario,
    *,
    seed: int | None = None,
    hours: float,
    bell: bool = True,
    plans: bool = False,
    alter: Alter | None = None,
) -> Shift:
    """A shift of people who are warned (``bell``) and, with ``plans``, go by the plan of their line. What is
    recorded of an entry is what ``alter`` makes of it, nothing where that is ``None``."""
    events: list[tuple[str, Event]] = []

    def watch(loop: ClosedLoop, line: str, event: Event) -> None:
        events.append((line, event))

    if plans:
        loop: ClosedLoop = PlannedLoop(scenario, seed=seed, watch=watch)
    else:
        loop = ClosedLoop(scenario, seed=seed, bell=bell, watch=watch)
    loop.journal = []
    start = StartState(position=0, at=START - 1, policy=msgspec.Raw(msgspec.json.encode(loop.world.policy)))
    loop.run(hours)
    altered = map(alter, loop.journal) if alter is not None else loop.journal
    journal = [each for each in altered if each is not None]
    return Shift(scenario=scenario, hours=hours, lines=lines_of(journal, start), events=events)


def lines_of(journal: list[JournalEntry], start: StartState, site: str = "plant") -> list[bytes]:
    exporter = Exporter(site)
    entries = (exporter.entry(start.position + number, entry) for number, entry in enumerate(journal))
    return [exporter.state(start), *entries]
