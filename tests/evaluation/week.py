"""A week of four lines in shifts, in virtual time: how often lines stop by the signal towers, with warnings,
and with warnings and the plan; and how many messages people get, told as the configured routes, rosters,
reminders, escalation and bundles have it; as tables in Markdown.

``python -m tests.evaluation.week --seeds 7301 7302``; the result of one run is kept in ``week.md`` with its
command. What is good for one person is what ``domain/budget`` says, with its sources.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from statistics import median

from service.domain import budget
from service.domain.budget import BENCHMARKS, Announced, Load
from service.domain.model import SECOND, Change
from simulators.scenario import Scenario, load_scenario
from simulators.tally import Outcome
from tests.evaluation.stops import Causes, Ways, against, by_the_tower, table, with_plan
from tests.evaluation.trays import on_trays
from tests.support.routed_loop import RoutedLoop
from tests.support.story import START

SCENARIO = Path(__file__).with_name("four-lines-all-week.toml")
DAY_HOURS = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """One seed. ``duty`` are hours, ``waits`` the seconds from a change to the message that told it."""

    seed: int
    hours: float
    alone: Outcome
    bell: Outcome
    loads: Mapping[str, Load]
    duty: Mapping[str, float]
    words: int
    levels: Mapping[str, int]
    kinds: Mapping[str, int]
    changes: Mapping[str, int]
    frequent_share: float
    chattering: Sequence[str]
    bundles: Mapping[int, int]
    waits: Sequence[float]
    stale: int
    causes: Mapping[str, int]


def main() -> None:
    options = _parser().parse_args()
    runs = [(seed, options.hours) for seed in options.seeds]
    with ProcessPoolExecutor(options.workers) as pool:
        coming = pool.map(partial(one_week, trays=options.trays), runs)
        plan = partial(_with_plan, trays=options.trays, waste=options.waste)
        planned = list(pool.map(plan, runs))
        weeks = list(coming)
    ways = [
        Ways(seed=week.seed, alone=week.alone, bell=week.bell, plan=plan, causes=(week.causes, causes))
        for week, (plan, causes) in zip(weeks, planned, strict=True)
    ]
    for line in (*table(ways), "", *against(ways), "", *report(weeks)):
        print(line)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.week", description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[7301, 7302])
    parser.add_argument("--hours", type=float, default=168.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--trays", action="store_true", help="larger parts on trays (see trays.py)")
    parser.add_argument("--waste", type=float, help="the plan's waste_share, where it isn't the usual one")
    return parser


def one_week(run: tuple[int, float], *, trays: bool = False) -> Week:
    seed, hours = run
    scenario = plant(trays=trays)
    causes = Causes()
    loop = RoutedLoop(scenario, seed=seed, watch=causes)
    bell = loop.run(hours)
    end = START + round(hours * 3600 * SECOND)
    said = list(announced(loop))
    frequent = budget.most_frequent(said)
    return Week(
        seed=seed,
        hours=hours,
        alone=by_the_tower(scenario, seed, hours),
        bell=bell,
        loads={who: budget.load_of(moments, START, end) for who, moments in heard(loop).items()},
        duty=duty_hours(scenario, hours),
        words=len(said),
        levels=budget.levels(said),
        kinds=Counter(each.notice.kind for each in loop.told if each.calls),
        changes=Counter(each.change.value for each in loop.told if each.calls),
        frequent_share=sum(times for _, times in frequent) / len(said) if said else 0.0,
        chattering=budget.chattering(said),
        bundles=Counter(len(post.notices) for post in loop.posts),
        waits=loop.outbox.waits,
        stale=len(budget.stale(loop.lives(), end)),
        causes=causes.count(loop),
    )


def _with_plan(run: tuple[int, float], *, trays: bool, waste: float | None) -> tuple[Outcome, Counter[str]]:
    scenario = plant(trays=trays)
    if waste is not None:
        scenario = replace(scenario, service={**scenario.service, "plan": {"waste_share": waste}})
    return with_plan(scenario, *run)


def plant(*, trays: bool) -> Scenario:
    scenario = load_scenario(SCENARIO)
    return on_trays(scenario) if trays else scenario


def announced(loop: RoutedLoop) -> Iterator[Announced]:
    """Each word that called for somebody, by what it was about."""
    for at, told in zip(loop.told_at, loop.told, strict=True):
        notice = told.notice
        if told.calls:
            parts = notice.kind, notice.line, notice.station, notice.slot, notice.about
            source = " ".join(part for part in parts if part)
            opens = told.change is Change.OPENED
            yield Announced(at=at, source=source, level=notice.level, opens=opens)


def heard(loop: RoutedLoop) -> dict[str, list[int]]:
    """The moments at which each person got a message."""
    people: dict[str, list[int]] = {who: [] for each in loop.reads.values() for who in each}
    for post in loop.posts:
        for who in loop.reads[post.outlet]:
            people[who].append(post.at)
    return people


def duty_hours(scenario: Scenario, hours: float) -> dict[str, float]:
    """How long each person is there; who has no shift always is."""
    return {
        name: _in_shift(shift.at / 60, shift.minutes / 60, hours)
        for shift in scenario.people.shifts
        for name in shift.names
    }


def _in_shift(begin: float, lasts: float, hours: float) -> float:
    days = range(int(hours // DAY_HOURS) + 1)
    return sum(max(0.0, min(hours, d * DAY_HOURS + begin + lasts) - d * DAY_HOURS - begin) for d in days)


# The tables


def report(weeks: Sequence[Week]) -> Iterator[str]:
    yield from _table(
        [
            "seed",
            "panels",
            "supply stops",
            "minutes",
            "at their end",
            "untold",
            "words",
            "messages",
            "for each",
        ],
        [_totals(week) for week in weeks],
    )
    yield ""
    yield from _table(
        [
            "person",
            "hours there",
            "messages",
            "in 10 min",
            "while told",
            "most in 10 min",
            "floods",
            "verdict",
        ],
        list(_people(weeks)),
    )
    yield ""
    for week in weeks:
        yield from _rest(week)


def _totals(week: Week) -> list[str]:
    alone, bell = week.alone, week.bell
    return [
        str(week.seed),
        f"{alone.panels} → {bell.panels}",
        f"{alone.stops} → {bell.stops}",
        f"{alone.minutes:.0f} → {bell.minutes:.0f}",
        str(len(bell.emptyings)),
        str(len(bell.untold)),
        str(week.words),
        str(bell.messages),
        f"{bell.messages / len(bell.emptyings):.2f}" if bell.emptyings else "",
    ]


def _people(weeks: Sequence[Week]) -> Iterator[list[str]]:
    """Over all seeds; the verdict is the worst of them."""
    verdicts = list(budget.Verdict)
    for who in weeks[0].loads:
        loads = [week.loads[who] for week in weeks]
        there = sum(week.duty.get(who, week.hours) for week in weeks)
        messages = sum(load.messages for load in loads)
        told = sum(sum(count > 0 for count in load.hours) for load in loads)
        yield [
            who,
            f"{there:.0f}",
            str(messages),
            f"{messages / there / 6:.2f}" if there else "",
            f"{messages / told / 6:.2f}" if told else "",
            str(max(load.peak_ten_minutes for load in loads)),
            str(sum(len(load.floods) for load in loads)),
            max((load.verdict for load in loads), key=verdicts.index).value,
        ]
    crew = [who for who in weeks[0].loads if who in weeks[0].duty]
    messages = sum(week.loads[who].messages for week in weeks for who in crew)
    there = sum(week.duty[who] for week in weeks for who in crew)
    yield ["all of the crew", f"{there:.0f}", str(messages), f"{messages / there / 6:.2f}", "", "", "", ""]


def _rest(week: Week) -> Iterator[str]:
    levels = ", ".join(
        f"{level} {100 * count / week.words:.0f} % (about {100 * BENCHMARKS[level].good:.0f})"
        for level, count in week.levels.items()
    )
    counted = ", ".join(f"{what} {count}" for what, count in sorted(week.changes.items()))
    kinds = ", ".join(f"{kind} {count}" for kind, count in sorted(week.kinds.items()))
    together = sum(count for size, count in week.bundles.items() if size > 1)
    waits = sorted(week.waits)
    yield f"Seed {week.seed}: {counted}; of kind {kinds}."
    yield f"Levels: {levels}. The ten most frequent: {100 * week.frequent_share:.1f} % of what was said."
    yield f"Chattering: {len(week.chattering)}. Open for more than a day at the end: {week.stale}."
    yield (
        f"Messages that told several notices: {together} of {sum(week.bundles.values())}, at most"
        f" {max(week.bundles, default=0)} notices. From change to message: median {median(waits):.0f} s,"
        f" 99 % within {waits[int(len(waits) * 0.99)]:.0f} s, at most {waits[-1]:.0f} s."
        if waits
        else "Nothing was sent."
    )
    waited = [each.waited for each in week.bell.untold if each.waited is not None]
    yield (
        f"Not told, day by day: {', '.join(map(str, _by_day(week)))}; the station waited for {len(waited)} of"
        f" them, {sum(waited):.0f} s."
    )
    yield ""


def _by_day(week: Week) -> list[int]:
    counted = Counter(int(each.at / 3600 // DAY_HOURS) for each in week.bell.untold)
    return [counted[day] for day in range(-int(-week.hours // DAY_HOURS))]


def _table(heads: list[str], rows: list[list[str]]) -> Iterator[str]:
    for cells in (heads, ["---"] * len(heads), *rows):
        yield "| " + " | ".join(cells) + " |"


if __name__ == "__main__":
    main()
