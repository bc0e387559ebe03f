"""What a recording says other settings would have done, against whole shifts played under those settings.

``python -m tests.evaluation.supposed``; the result of one run is kept in ``supposed.md`` with its command.
The recording is that of a lead of ten panels; the same seeds are played under the others and without a bell.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from statistics import fmean

import msgspec

from service.usecases.altered import Alteration, Heard, hear
from service.usecases.tried import Json, figures
from service.wire.journal import StartState
from simulators.answering import Crew
from simulators.scenario import Scenario, load_scenario, shipped
from tests.support.closed_loop import ClosedLoop
from tests.support.shifts import lines_of
from tests.support.story import START

SCENARIOS = ("two-lines-by-day", "three-lines-by-night", "counts-and-lamps")
RECORDED = 10
LEADS = (None, 3, 5, 10, 20)
"""``None``: by the towers alone."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Stops and their minutes: played, and supposed."""

    played: tuple[float, float]
    supposed: tuple[float, float]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.supposed", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[11, 12, 13])
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    shifts = [(name, seed, options.hours) for name in SCENARIOS for seed in options.seeds]
    with ProcessPoolExecutor(options.workers) as pool:
        results = list(zip(shifts, pool.map(_shift, shifts), strict=True))
    print("| scenario | lead | stops played | supposed | minutes played | supposed |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name in SCENARIOS:
        for row in _rows(name, [pairs for (of, _, _), pairs in results if of == name]):
            print(row)


def _shift(shift: tuple[str, int, float]) -> Mapping[int | None, Pair]:
    name, seed, hours = shift
    scenario = load_scenario(shipped()[name])
    loops = {lead: _play(scenario, seed, lead) for lead in LEADS}
    outcomes = {lead: loop.run(hours) for lead, loop in loops.items()}
    heard, crew = _recorded(loops[RECORDED]), Crew.of(scenario, 20)
    found = {lead: _suppose(heard, lead, crew) for lead in LEADS if lead is not None}
    tries = {lead: each["tries"] for lead, each in found.items()} | {None: found[RECORDED]["towers"]}
    return {
        lead: Pair(
            (each.stops, each.minutes),
            (fmean(tries[lead]["stops"]), fmean(tries[lead]["stop_ms"]) / 60_000),
        )
        for lead, each in outcomes.items()
    }


def _play(scenario: Scenario, seed: int, lead: int | None) -> ClosedLoop:
    warn = scenario.service.get("warn")
    kept = dict(warn) if isinstance(warn, Mapping) else {}
    service = {**scenario.service, "warn": kept | {"lead_panels": lead or RECORDED}}
    loop = ClosedLoop(replace(scenario, service=service), seed=seed, bell=lead is not None)
    loop.journal = [] if lead == RECORDED else None
    return loop


def _recorded(loop: ClosedLoop) -> Heard:
    policy = msgspec.Raw(msgspec.json.encode(loop.world.policy))
    return hear(lines_of(loop.journal or [], StartState(position=0, at=START - 1, policy=policy)))


def _suppose(heard: Heard, lead: int, crew: Crew) -> Json:
    altered = Alteration() if lead == RECORDED else Alteration(warn=(("lead_panels", lead),))
    return figures(heard, altered, crew, plans=False)


def _rows(name: str, shifts: list[Mapping[int | None, Pair]]) -> Iterator[str]:
    for lead in LEADS:
        pairs = [each[lead] for each in shifts]
        stops = fmean(each.played[0] for each in pairs), fmean(each.supposed[0] for each in pairs)
        minutes = fmean(each.played[1] for each in pairs), fmean(each.supposed[1] for each in pairs)
        called = "towers alone" if lead is None else "as recorded" if lead == RECORDED else str(lead)
        cells = name, called, *(f"{value:.1f}" for value in (*stops, *minutes))
        yield f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    main()
