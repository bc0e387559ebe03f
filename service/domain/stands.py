"""How a station went: its panels one after another, and the time in between beyond what a panel takes.

A gap goes from the end of one panel to the end of the next. What a panel takes is the station's usual takt;
a station that stood for less than ``Run.shortest`` isn't told from one that was a little slow.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise
from statistics import median

from service.domain.model import SECOND, Instant
from service.domain.policy import TowerRule
from service.domain.takts import FEWEST, End, Takts, takts_of
from service.domain.tower import shows
from service.domain.track import Cause, StationTrack, TowerShown, held

SHORTEST = 5 * SECOND
"""Nothing shorter is called a stop."""
_WIDE = 3.5
"""Standard deviations beyond which a panel wasn't just slow."""
_CAUSES = {"out": Cause.SUPPLY, "fault": Cause.FAULT}
_LATE = 2 * SECOND
"""By so much may the moments of tower and count differ."""


@dataclass(slots=True)
class Sign:
    """The tower says that the station stands by itself; in a gap ``until`` not beyond what the rest of the
    panel leaves room for."""

    since: Instant
    until: Instant
    cause: Cause
    slots: tuple[str, ...] = ()


@dataclass(slots=True)
class Gap:
    """``panel``: how many were complete when it began; ``need``: what the panel in it takes; ``counted``:
    both ends were seen, not reckoned; ``open``: no panel was complete at its end; ``parts``: counts within
    the panel, as shares of it."""

    panel: int
    since: Instant
    until: Instant
    need: Instant
    counted: bool = True
    open: bool = False
    parts: list[tuple[Instant, float]] = field(default_factory=list)
    signs: list[Sign] = field(default_factory=list)

    @property
    def length(self) -> Instant:
        return self.until - self.since

    @property
    def over(self) -> Instant:
        """What it lasted beyond the panel's work."""
        return self.length - self.need

    @property
    def shown(self) -> Instant:
        """What the tower explains of it."""
        return sum(sign.until - sign.since for sign in self.signs)


@dataclass(slots=True)
class Run:
    """One station's gaps, contiguous over the whole time; ``ends``: when its panels were complete. ``usual``
    and ``spread`` of its takts over all recipes, ``None`` where too little is known."""

    track: StationTrack
    gaps: list[Gap]
    ends: list[Instant]
    usual: float | None
    spread: float

    @property
    def shortest(self) -> Instant:
        return max(SHORTEST, round(_WIDE * self.spread))

    def ended_by(self, at: Instant) -> int:
        """Panels complete by then."""
        return bisect_right(self.ends, at)


def ends_of(track: StationTrack, since: Instant, until: Instant) -> list[Instant]:
    """When counts said that panels were complete."""
    return [end.at for end in _panels(track, since, until)[0]]


def run_of(
    track: StationTrack,
    since: Instant,
    until: Instant,
    beside: Sequence[Sequence[Instant]] = (),
    rule: TowerRule | None = None,
) -> Run:
    """``beside``: when panels were complete at its neighbours, which may have ended its stops."""
    ends, parts = _panels(track, since, until)
    takts = takts_of(track, ends)
    resumed = _resumptions(track.towers, rule or TowerRule())
    moments = [(since, True)]
    for before, after in pairwise([End(since, 1), *ends]):
        need = takts.need(after.at)
        moments += _split(before, after, need, partial(_stood_after, track, resumed, beside, need))
    gaps = _gaps(moments, until, takts)
    _put_parts(gaps, parts, _parts_a_panel(track))
    _put_signs(gaps, _signs(track.towers, until))
    return Run(track, gaps, [at for at, _ in moments[1:]], takts.usual, takts.spread)


def _panels(
    track: StationTrack, since: Instant, until: Instant
) -> tuple[list[End], list[tuple[Instant, int]]]:
    """When panels were complete, those of one moment together, and the parts counted within one."""
    ends: list[End] = []
    parts: list[tuple[Instant, int]] = []
    progress = track.progress
    for row in track.counts:
        made, progress = row.panels - progress, row.panels
        if not since <= row.at < until:
            continue
        if made > 0 and ends and ends[-1].at == row.at:
            ends[-1] = End(row.at, ends[-1].panels + made)
        elif made > 0:
            ends.append(End(row.at, made))
        elif placed := sum(each.placed for each in row.used.values()):
            parts.append((row.at, placed))
    return ends, parts


def _parts_a_panel(track: StationTrack) -> float | None:
    placed = [sum(each.placed for each in row.used.values()) for row in track.counts]
    usual = [each for each in placed if each]
    return float(median(usual)) if len(usual) >= FEWEST else None


def _split(
    before: End, after: End, need: Instant, stood: Callable[[End, End], int]
) -> Iterator[tuple[Instant, bool]]:
    """The ends of the panels that one count says were made; those in between as the takt has it, the time in
    which the station stood after so many of them as ``stood`` says."""
    missing = after.panels - 1
    if missing and need:
        over = after.at - before.at - after.panels * need
        if over <= need // 4:
            each = (after.at - before.at) // after.panels
            yield from ((before.at + each * number, False) for number in range(1, missing + 1))
        else:
            first = stood(before, after)
            yield from ((before.at + need * number, False) for number in range(1, first + 1))
            yield from ((after.at - need * number, False) for number in range(missing - first, 0, -1))
    yield after.at, True


def _stood_after(
    track: StationTrack,
    resumptions: Sequence[Instant],
    beside: Sequence[Sequence[Instant]],
    need: Instant,
    before: End,
    after: End,
) -> int:
    """How many of the panels were made before the stop: as the tower has it, else so that the stop ends with
    a panel of a neighbour."""
    missing = after.panels - 1
    shown = [each for each in track.towers if before.at <= each.at < after.at]
    own = next((each for each in shown if each.reading in _CAUSES), None)
    if own is not None:
        return _between(0, round((own.at - before.at) / need), missing)
    resumed = [at for at in resumptions if before.at + need // 2 < at < after.at]
    if resumed:
        return _between(0, after.panels - max(1, round((after.at - resumed[-1]) / need)), missing)
    ends = [after.at - need * (after.panels - number) for number in range(after.panels)]
    nearest = [min((_distance(other, end) for other in beside), default=need) for end in ends]
    best = min(range(after.panels), key=nearest.__getitem__)
    return best if nearest[best] < need // 8 else min(1, missing)


def _between(least: int, value: int, most: int) -> int:
    return min(most, max(least, value))


def _resumptions(towers: Sequence[TowerShown], rule: TowerRule) -> list[Instant]:
    """When a tower showed that the station works again: its light for running is on after it wasn't, or it
    says once more what it said last, so that a word in between was lost."""
    runs = [shows(each.lamps, rule.running) for each in towers]
    return [
        tower.at
        for (last, tower), (ran, running) in zip(pairwise(towers), pairwise(runs), strict=True)
        if running and (not ran or (last.lamps, last.slots) == (tower.lamps, tower.slots))
    ]


def _distance(moments: Sequence[Instant], at: Instant) -> Instant:
    number = bisect_right(moments, at)
    return min((abs(each - at) for each in moments[max(0, number - 1) : number + 1]), default=2**62)


def _gaps(moments: Sequence[tuple[Instant, bool]], until: Instant, takts: Takts) -> list[Gap]:
    gaps = [
        Gap(number, before, after, takts.need(after), counted=sure and also)
        for number, ((before, sure), (after, also)) in enumerate(pairwise(moments))
    ]
    last = moments[-1][0]
    if last < until:
        gaps.append(Gap(len(gaps), last, until, takts.need(until), open=True))
    return gaps


def _put_parts(gaps: list[Gap], parts: Iterable[tuple[Instant, int]], usual: float | None) -> None:
    if not usual:
        return
    starts = [gap.since for gap in gaps]
    for at, placed in parts:
        gap = gaps[bisect_right(starts, at) - 1]
        share = gap.parts[-1][1] if gap.parts else 0.0
        gap.parts.append((at, min(1.0, share + placed / usual)))


def _signs(towers: Sequence[TowerShown], until: Instant) -> list[Sign]:
    """When the tower says out or fault, up to its next word."""
    signs: list[Sign] = []
    for tower, end in held(towers, until):
        cause = _CAUSES.get(tower.reading)
        if cause is None or tower.at >= end:
            continue
        last = signs[-1] if signs else None
        if last is not None and (last.until, last.cause, last.slots) == (tower.at, cause, tower.slots):
            last.until = end
        else:
            signs.append(Sign(tower.at, end, cause, tower.slots))
    return signs


def _put_signs(gaps: list[Gap], signs: Iterable[Sign]) -> None:
    """Each to the gap in which it begins. It is over by the time from which the rest of the panel could be
    made: a tower's next word may be lost."""
    starts = [gap.since for gap in gaps]
    for sign in signs:
        number = bisect_right(starts, sign.since) - 1
        gap = gaps[number]
        if gap.until - sign.since <= _LATE and sign.until > gap.until and number + 1 < len(gaps):
            gap = gaps[number + 1]
        since = max(sign.since, gap.since)
        worked = max(0, since - gap.since - gap.shown)
        latest = gap.until if gap.open else gap.until - max(0, gap.need - worked)
        if (until := min(sign.until, latest)) > since:
            gap.signs.append(Sign(since, until, sign.cause, sign.slots))
