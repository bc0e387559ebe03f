"""What the bell is worth on the frozen scenarios: whole shifts in virtual time over fresh seeds, as a table.

``make evaluate ARGS="--seeds 11 12 13"``; the result of one run is kept in ``results.md`` with its command.
The same loop over real broker, service and outlets is ``earlybell simulate --compare``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from statistics import median

from simulators.scenario import load_scenario, shipped
from simulators.tally import Outcome
from tests.support.closed_loop import ClosedLoop, asked

SCENARIOS = ("two-lines-by-day", "three-lines-by-night", "counts-and-lamps")
Shift = tuple[str, int, float]


def main() -> None:
    options = _parser().parse_args()
    shifts = [(name, seed, options.hours) for name in SCENARIOS for seed in options.seeds]
    with ProcessPoolExecutor(options.workers) as pool:
        results = list(pool.map(_shift, shifts))
    for line in _report(shifts, results):
        print(line)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=list(range(7001, 7009)))
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--workers", type=int, default=2)
    return parser


def _shift(shift: Shift) -> tuple[Outcome, Outcome, int]:
    name, seed, hours = shift
    scenario = load_scenario(shipped()[name])
    alone = ClosedLoop(scenario, seed=seed, bell=False).run(hours)
    loop = ClosedLoop(scenario, seed=seed)
    return alone, loop.run(hours), asked(loop)


def _report(shifts: list[Shift], results: list[tuple[Outcome, Outcome, int]]) -> Iterator[str]:
    heads = [
        "scenario",
        "seed",
        "panels",
        "supply stops",
        "minutes",
        "at their end",
        "untold",
        "messages",
        "for each",
        "lead s",
    ]
    yield "| " + " | ".join(heads) + " |"
    yield "| --- " * len(heads) + "|"
    for (name, seed, _), (alone, bell, _) in zip(shifts, results, strict=True):
        yield _row(name, str(seed), [(alone, bell)])
    for name in SCENARIOS:
        own = [pair[:2] for (of, *_), pair in zip(shifts, results, strict=True) if of == name]
        yield _row(name, "all", own)
    yield ""
    yield f"Questions asked: {sum(each[2] for each in results)}."


def _row(name: str, seed: str, pairs: list[tuple[Outcome, Outcome]]) -> str:
    """Before the arrow on the towers alone, after it with the bell."""
    alone, bell = zip(*pairs, strict=True)
    ends = sum(len(each.emptyings) for each in bell)
    messages = sum(each.messages for each in bell)
    leads = [lead for each in bell for lead in each.lead_seconds]
    cells = (
        name,
        seed,
        f"{sum(each.panels for each in alone)} → {sum(each.panels for each in bell)}",
        f"{sum(each.stops for each in alone)} → {sum(each.stops for each in bell)}",
        f"{sum(each.minutes for each in alone):.0f} → {sum(each.minutes for each in bell):.0f}",
        str(ends),
        str(sum(len(each.untold) for each in bell)),
        str(messages),
        f"{messages / ends:.2f}" if ends else "",
        f"{median(leads):.0f}" if leads else "",
    )
    return "| " + " | ".join(cells) + " |"


if __name__ == "__main__":
    main()
