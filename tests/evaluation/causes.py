"""Why stations stood, as found from what gateways said, against the simulator's truth: a confusion table in
minutes; as tables in Markdown.

``python -m tests.evaluation.causes``; the result of one run is kept in ``causes.md`` with its command.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

from service.domain.model import SECOND, Instant
from service.domain.stops import stretches
from service.domain.track import Cause, Stretch
from service.usecases.observe import observe
from simulators.events import OrderSet, PanelMade, Stopped
from tests.evaluation.plants import PLANTS, without_towers
from tests.support.shifts import Shift
from tests.support.story import START

Place = tuple[str, str]
WORKED = "worked"
BLAMED = frozenset({Cause.SUPPLY, Cause.FAULT, Cause.EXCHANGE})
_BANDS = (0.0, 0.6, 0.8, 0.9, 0.97)
_INNOCENT = frozenset({"held", "starved"})
_BETWEEN = "between orders"
_RIGHT = {
    "supply": {Cause.SUPPLY},
    "fault": {Cause.FAULT},
    "exchange": {Cause.EXCHANGE},
    "held": {Cause.HELD},
    "starved": {Cause.STARVED},
    "exchange while held": {Cause.EXCHANGE, Cause.HELD},
    "exchange while starved": {Cause.EXCHANGE, Cause.STARVED},
    _BETWEEN: {Cause.CHANGEOVER, Cause.NO_ORDER, Cause.STARVED},
}
"""What counts as right. Between two orders a line whose orders nobody tells looks starved: its first machine
isn't told anything else. A break is starved too, where no calendar is configured."""


@dataclass(frozen=True, slots=True, order=True)
class Truth:
    since: Instant
    until: Instant
    cause: str


@dataclass(slots=True)
class Confusion:
    """Minutes by true and found cause; ``sure``: minutes of stops found by how sure the cause was said to be,
    ``right``: those of them that are right. ``found`` of ``stops`` are for the most part right. ``wronged``:
    minutes and stops in which a station that was held or got nothing is blamed, ``unknown``: minutes of those
    in which nobody knows why."""

    minutes: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    sure: dict[float, float] = field(default_factory=lambda: defaultdict(float))
    right: dict[float, float] = field(default_factory=lambda: defaultdict(float))
    wronged: float = 0.0
    wronged_stops: int = 0
    unknown: float = 0.0
    stops: int = 0
    found: int = 0

    def add(self, other: Confusion) -> None:
        for key, minutes in other.minutes.items():
            self.minutes[key] += minutes
        for band, minutes in other.sure.items():
            self.sure[band] += minutes
            self.right[band] += other.right[band]
        self.wronged += other.wronged
        self.wronged_stops += other.wronged_stops
        self.unknown += other.unknown
        self.stops += other.stops
        self.found += other.found

    def note(self, truth: Truth, stretch: Stretch, lasted: Instant) -> None:
        minutes = lasted / SECOND / 60
        self.minutes[truth.cause, WORKED if stretch.cause is None else stretch.cause.value] += minutes
        if stretch.stop is not None and stretch.cause is not Cause.UNKNOWN:
            band = max(each for each in _BANDS if each <= stretch.stop.confidence)
            self.sure[band] += minutes
            self.right[band] += minutes * (stretch.cause in _RIGHT.get(truth.cause, ()))

    def share(self, true: str | None = None) -> float:
        """Of the minutes that stations stood those with the right cause."""
        stood = {key: each for key, each in self.minutes.items() if key[0] != WORKED}
        if true is not None:
            stood = {key: each for key, each in stood.items() if key[0] == true}
        right = sum(each for (was, found), each in stood.items() if found in _RIGHT[was])
        return right / total if (total := sum(stood.values())) else 1.0


def truths(shift: Shift) -> dict[Place, list[Truth]]:
    """How stations stood, by place. Between the last panel of an order and the first of the next a station
    has no order, whatever it waits for."""
    found: dict[Place, list[Truth]] = defaultdict(list)
    breaks = _between(shift)
    for line, event in shift.events:
        if isinstance(event, Stopped):
            place = line, event.station
            cause: str = {"break": "starved", "no order": _BETWEEN}.get(event.cause, event.cause)
            found[place].append(Truth(_at(event.since), _at(event.at), cause))
    return {
        place: [each for one in _at_rest(sorted(some)) for each in _divided(one, breaks.get(place, []))]
        for place, some in found.items()
    }


def _at_rest(truths: Sequence[Truth]) -> Iterator[Truth]:
    """An exchange right before or after which the station waited for a neighbour stopped it little or not at
    all: how much, the simulator doesn't say."""
    for number, one in enumerate(truths):
        near = [*truths[max(0, number - 1) : number], *truths[number + 1 : number + 2]]
        beside = [
            other.cause
            for other in near
            if other.cause in _INNOCENT and (other.until == one.since or other.since == one.until)
        ]
        rests = one.cause == "exchange" and beside
        yield replace(one, cause=f"exchange while {beside[0]}") if rests else one


def _divided(truth: Truth, between: Sequence[tuple[Instant, Instant]]) -> Iterator[Truth]:
    if truth.cause in ("held", "supply", "fault"):
        yield truth
        return
    at = truth.since
    for begin, end in between:
        since, until = max(at, begin), min(truth.until, end)
        if since < until:
            if at < since:
                yield Truth(at, since, truth.cause)
            yield Truth(since, until, _BETWEEN)
            at = until
    if at < truth.until:
        yield Truth(at, truth.until, truth.cause)


def _between(shift: Shift) -> dict[Place, list[tuple[Instant, Instant]]]:
    """From each station's last panel of an order to its first of the next."""
    ends: dict[str, list[float]] = defaultdict(list)
    made: dict[Place, list[float]] = defaultdict(list)
    for line, event in shift.events:
        if isinstance(event, OrderSet) and event.state == "finished":
            ends[line].append(event.at)
        elif isinstance(event, PanelMade):
            made[line, event.station].append(event.at)
    found: dict[Place, list[tuple[Instant, Instant]]] = defaultdict(list)
    for (line, station), panels in made.items():
        for end in ends[line]:
            last = max((at for at in panels if at <= end), default=0.0)
            first = min((at for at in panels if at > end), default=shift.hours * 3600)
            found[line, station].append((_at(last), _at(first)))
    return found


def _at(seconds: float) -> Instant:
    return START + round(seconds * SECOND)


def confusion(shift: Shift, since: Instant = START) -> Confusion:
    track = observe(shift.lines)
    return compare(truths(shift), stretches(track), since, _known_until(shift))


def _known_until(shift: Shift) -> dict[Place, Instant]:
    """A stop that the end cut off isn't in the truth."""
    known: dict[Place, Instant] = {}
    for line, event in shift.events:
        if isinstance(event, Stopped | PanelMade):
            known[line, event.station] = _at(event.at)
    return known


def compare(
    true: Mapping[Place, Sequence[Truth]],
    found: Mapping[Place, Sequence[Stretch]],
    since: Instant,
    until: Mapping[Place, Instant],
) -> Confusion:
    result = Confusion()
    for place, stretched in found.items():
        end = until.get(place, since)
        for one, other, length in _overlaps(_filled(true.get(place, []), since, end), stretched):
            result.note(one, other, length)
        for one in true.get(place, []):
            result.stops += 1
            result.found += _mostly_right(one, stretched)
            wronged = _found_as(one, stretched, BLAMED)
            result.wronged += wronged / SECOND / 60
            result.wronged_stops += wronged > (one.until - one.since) / 2
            result.unknown += _found_as(one, stretched, {Cause.UNKNOWN}) / SECOND / 60
    return result


def _filled(true: Sequence[Truth], since: Instant, until: Instant) -> Iterator[Truth]:
    for each in true:
        begin, end = max(each.since, since), min(each.until, until)
        if since < begin:
            yield Truth(since, begin, WORKED)
        if begin < end:
            yield Truth(begin, end, each.cause)
            since = end
    if since < until:
        yield Truth(since, until, WORKED)


def _overlaps(true: Iterator[Truth], found: Sequence[Stretch]) -> Iterator[tuple[Truth, Stretch, Instant]]:
    number = 0
    for one in true:
        while number < len(found) and found[number].until <= one.since:
            number += 1
        at = number
        while at < len(found) and found[at].since < one.until:
            length = min(one.until, found[at].until) - max(one.since, found[at].since)
            if length > 0:
                yield one, found[at], length
            at += 1


def _mostly_right(one: Truth, found: Sequence[Stretch]) -> bool:
    right = sum(
        length for _, other, length in _overlaps(iter([one]), found) if other.cause in _RIGHT[one.cause]
    )
    return right * 2 > one.until - one.since


def _found_as(one: Truth, found: Sequence[Stretch], causes: Collection[Cause]) -> Instant:
    """For how long a station that could do nothing for it is said to stand for one of these."""
    if one.cause not in _INNOCENT:
        return 0
    return sum(length for _, other, length in _overlaps(iter([one]), found) if other.cause in causes)


def table(result: Confusion) -> Iterator[str]:
    causes = [WORKED, *(cause.value for cause in Cause)]
    seen = [cause for cause in causes if any(found == cause for _, found in result.minutes)]
    yield "| truth \\ found | " + " | ".join(seen) + " | right |"
    yield "| --- " * (len(seen) + 2) + "|"
    for true in sorted({was for was, _ in result.minutes}, key=lambda each: (each == WORKED, each)):
        cells = [f"{result.minutes.get((true, each), 0.0):.1f}" for each in seen]
        share = "" if true == WORKED else f"{100 * result.share(true):.1f} %"
        yield f"| {true} | " + " | ".join(cells) + f" | {share} |"


def sure(result: Confusion) -> Iterator[str]:
    yield "| how sure | minutes | right |"
    yield "| --- | --- | --- |"
    for band, following in zip(_BANDS, (*_BANDS[1:], 1.0), strict=True):
        if every := result.sure[band]:
            share = 100 * result.right[band] / every
            yield f"| {band:.2f} to {following:.2f} | {every:.0f} | {share:.1f} % |"


def one(run: tuple[str, int, float]) -> tuple[str, Confusion]:
    name, seed, hours = run
    return name, confusion(PLANTS[name].shift(seed, hours))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.causes", description=__doc__)
    parser.add_argument("--plants", nargs="+", default=list(PLANTS))
    parser.add_argument("--seeds", type=int, nargs="+", default=[9101, 9102, 9103])
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    runs = [(name, seed, options.hours) for name in options.plants for seed in options.seeds]
    whole: dict[str, Confusion] = {}
    with ProcessPoolExecutor(options.workers) as pool:
        for name, result in pool.map(one, runs):
            whole.setdefault(name, Confusion()).add(result)
    print(*report(whole), sep="\n")


def report(whole: Mapping[str, Confusion]) -> Iterator[str]:
    shown = Confusion()
    for name, result in whole.items():
        if PLANTS[name].alter is not without_towers:
            shown.add(result)
    yield "## All plants with towers"
    yield ""
    yield from table(shown)
    yield ""
    yield from _verdict(shown)
    yield ""
    yield from sure(shown)
    yield ""
    yield "| plant | right | stops | blamed though held or starved | cause unknown |"
    yield "| --- | --- | --- | --- | --- |"
    for name, result in whole.items():
        yield (
            f"| {name}: {PLANTS[name].about} | {100 * result.share():.2f} %"
            f" | {result.found} of {result.stops}"
            f" | {result.wronged:.1f} min, {result.wronged_stops} stops | {result.unknown:.1f} min |"
        )
    for name, result in whole.items():
        yield from ("", f"## {name}: {PLANTS[name].about}", "")
        yield from table(result)


def _verdict(result: Confusion) -> Iterator[str]:
    yield (
        f"Right: {100 * result.share():.2f} % of the minutes that stations stood, {result.found} of"
        f" {result.stops} stops. Blamed though held or starved: {result.wronged:.1f} min,"
        f" {result.wronged_stops} stops."
    )


if __name__ == "__main__":
    main()
