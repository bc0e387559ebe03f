"""Which slots lost more parts than they should, since when, and the sentence that says so.

What is normal is the slot's own: as it began or as it ended, whichever was lower, of what held for a tenth of
its picks; with the learned law of its kind as what was known before, where that is handed in. Over all slots
together a steady plant is accused with at most the chance ``false_changes``: each slot that could show
anything gets its part of it. What lost too much the whole time is seen only against its kind's learned law.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import betainc

from service.domain.changes import Border, Ints, find_changes, unlikely
from service.domain.depletion import Belief
from service.domain.model import Instant, to_rfc3339
from service.domain.said import Said
from service.domain.track import StationTrack, Supplied, Track

MATTERS = 1.5
"""Rates nearer to what is normal aren't told, however sure they are."""
_LONG = 0.1
"""What is normal held for this share of the picks at least."""
_BY_CHANCE = 0.01
_FEWEST = 8
"""Lost parts without which nothing can be shown."""
_EXCHANGES = frozenset({"loaded", "joined", "believed"})
Usual = Callable[[str | None, str | None], Belief | None]
"""What was learned of the loss odds of a kind and a part; ``None`` where nothing was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A time in which the rate didn't change. It may have begun from ``earliest`` to ``latest``."""

    since: Instant
    until: Instant
    earliest: Instant
    latest: Instant
    picks: int
    lost: int

    @property
    def share(self) -> float:
        return self.lost / self.picks


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    """When it lost ``times`` what is normal. ``since`` ``None``: from the beginning; ``until``: to the end.
    ``exchange``: the only one when it began."""

    since: Instant | None
    until: Instant | None
    times: float
    exchange: Supplied | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SlotLosses:
    """``normal`` is a share of picks, known from the slot's ``own`` time, as ``learned`` of its kind, or from
    slots ``alike``, those of its kind in this time. ``excess``: parts lost beyond it. ``at``, ``picks`` and
    ``lost`` of each count that says what was lost; a count's picks came since the one before."""

    line: str
    station: str
    slot: str
    part: str | None
    kind: str | None
    begin: Instant
    at: Ints
    picks: Ints
    lost: Ints
    segments: tuple[Segment, ...] = ()
    normal: float = 0.0
    normal_from: str = "own"
    worst: Worst | None = None
    said: Said | None = None

    @property
    def share(self) -> float:
        return float(self.lost.sum() / self.picks.sum())

    @property
    def begins(self) -> Ints:
        """Since when each count's picks came."""
        return np.concatenate(([self.begin], self.at[:-1]))

    @property
    def excess(self) -> float:
        return float(self.lost.sum() - self.normal * self.picks.sum())


def losses_of(track: Track, usual: Usual | None = None) -> list[SlotLosses]:
    """Every slot of which losses are known; first those of which there is something to say, then those that
    lost most beyond what is normal."""
    found = [
        slot
        for line in track.lines.values()
        for station in line.stations.values()
        for slot in _slots(station, track.since)
    ]
    alike = _alike(found)
    # Whether a slot is looked at depends on its sum alone, which is given where a chance is reckoned.
    looked = sum(int(slot.lost.sum()) >= _FEWEST for slot in found)
    chance = track.policy.review.false_changes / max(1, looked)
    judged = [
        _judge(slot, chance, alike[slot.kind], usual, track.lines[slot.line].stations[slot.station].supplies)
        for slot in found
    ]
    return sorted(
        judged, key=lambda slot: (slot.said is None, -slot.excess, slot.line, slot.station, slot.slot)
    )


def _slots(station: StationTrack, since: Instant) -> Iterator[SlotLosses]:
    rows: dict[str, list[tuple[int, int, int]]] = {}
    for count in station.counts:
        for name, used in count.used.items():
            if used.lost is not None and used.placed + used.lost > 0:
                rows.setdefault(name, []).append((count.at, used.placed + used.lost, used.lost))
    for name, some in rows.items():
        at, picks, lost = np.array(some, dtype=np.int64).T
        part, kind = station.parts.get(name, (None, None))
        yield SlotLosses(
            line=station.line,
            station=station.station,
            slot=name,
            part=part,
            kind=kind,
            begin=since,
            at=at,
            picks=picks,
            lost=lost,
        )


def _alike(slots: Sequence[SlotLosses]) -> dict[str | None, float]:
    """The share that all slots of a kind lost together."""
    sums: dict[str | None, list[int]] = {}
    for slot in slots:
        both = sums.setdefault(slot.kind, [0, 0])
        both[0] += int(slot.lost.sum())
        both[1] += int(slot.picks.sum())
    return {kind: lost / picks for kind, (lost, picks) in sums.items()}


def _judge(
    slot: SlotLosses, chance: float, alike: float, usual: Usual | None, supplies: Sequence[Supplied]
) -> SlotLosses:
    belief = None if usual is None else usual(slot.kind, slot.part)
    borders = find_changes(slot.lost, slot.picks, chance) if slot.lost.sum() >= _FEWEST else []
    slot = replace(slot, segments=tuple(_segments(slot, borders)))
    if borders:
        calm = calm_times(slot.segments)
        normal = _normal(calm, belief)
        worst = _worst(slot, calm, normal, supplies)
        return replace(slot, normal=normal, worst=worst, said=None if worst is None else _say(slot, worst))
    if belief is None:
        return replace(slot, normal=alike, normal_from="alike")
    said = _against_its_kind(slot, belief, chance)
    return replace(slot, normal=belief.odds / (1.0 + belief.odds), normal_from="learned", said=said)


def _segments(slot: SlotLosses, borders: Sequence[Border]) -> Iterator[Segment]:
    """A count's losses came after the count before, so a time begins with that."""
    begins = slot.begins
    firsts = [Border(0, 0, 0), *borders]
    ends = [*(each.first for each in borders), len(slot.at)]
    for border, end in zip(firsts, ends, strict=True):
        yield Segment(
            since=int(begins[border.first]),
            until=int(slot.at[end - 1]),
            earliest=int(begins[border.earliest]),
            latest=int(slot.at[border.latest]),
            picks=int(slot.picks[border.first : end].sum()),
            lost=int(slot.lost[border.first : end].sum()),
        )


def calm_times(segments: Sequence[Segment]) -> list[Segment]:
    """How it began or how it ended, whichever was lower, and the times that aren't higher by more than
    chance. A low spell in between is good luck, not what is normal."""
    enough = _LONG * sum(each.picks for each in segments)
    long = [each for each in segments if each.picks >= enough] or list(segments)
    base = min(long[0], long[-1], key=lambda each: each.share)
    calm, lost, picks = [base], base.lost, base.picks
    for each in sorted(segments, key=lambda each: each.share):
        total, share = lost + each.lost, each.picks / (picks + each.picks)
        if each is not base and unlikely(each.lost, total, share, higher=True) > _BY_CHANCE:
            calm.append(each)
            lost, picks = total, picks + each.picks
    return calm


def _normal(calm: Sequence[Segment], belief: Belief | None) -> float:
    """Half a lost part stands for what was known before, where nothing is: never to lose one isn't normal."""
    before = Belief(0.5, 0.0) if belief is None else belief
    lost, picks = sum(each.lost for each in calm), sum(each.picks for each in calm)
    return (lost + before.a) / (picks + before.a + before.b)


def _worst(
    slot: SlotLosses, calm: Sequence[Segment], normal: float, supplies: Sequence[Supplied]
) -> Worst | None:
    """The highest time together with its neighbours that are too high as well."""
    segments = slot.segments
    high = [each.share >= MATTERS * normal and each not in calm for each in segments]
    peak = max(range(len(segments)), key=lambda number: segments[number].share)
    if not high[peak]:
        return None
    first = last = peak
    while first > 0 and high[first - 1]:
        first -= 1
    while last + 1 < len(segments) and high[last + 1]:
        last += 1
    run = segments[first : last + 1]
    share = sum(each.lost for each in run) / sum(each.picks for each in run)
    return Worst(
        since=segments[first].since if first else None,
        until=segments[last].until if last + 1 < len(segments) else None,
        times=share / normal,
        exchange=_exchange(slot.slot, segments[first], supplies) if first else None,
    )


def _exchange(slot: str, segment: Segment, supplies: Sequence[Supplied]) -> Supplied | None:
    some = [
        each
        for each in supplies
        if each.slot == slot and each.change in _EXCHANGES and segment.earliest <= each.at <= segment.latest
    ]
    return some[0] if len(some) == 1 else None


def _say(slot: SlotLosses, worst: Worst) -> Said:
    values: dict[str, str | float] = {"slot": slot.slot, "times": _rounded(worst.times)}
    if worst.until is not None:
        values["until_at"] = to_rfc3339(worst.until)
        if worst.since is None:
            return Said("{slot} lost {times} times what is normal until {until_at}", values)
        values["since_at"] = to_rfc3339(worst.since)
        return Said("{slot} lost {times} times what is normal from {since_at} to {until_at}", values)
    if worst.exchange is not None:
        values["since_at"] = to_rfc3339(worst.exchange.at)
        return Said("{slot} loses {times} times what is normal since the exchange at {since_at}", values)
    values["since_at"] = to_rfc3339(slot.begin if worst.since is None else worst.since)
    return Said("{slot} loses {times} times what is normal since {since_at}", values)


def _rounded(times: float) -> float:
    return float(round(times)) if times >= 10.0 else round(times, 1)


def _against_its_kind(slot: SlotLosses, belief: Belief, chance: float) -> Said | None:
    """By the law of its kind, so many losses or more would have had at most that ``chance``."""
    lost, placed = int(slot.lost.sum()), int(slot.picks.sum() - slot.lost.sum())
    if lost < _FEWEST or betainc(lost, belief.a, placed / (belief.b + placed)) > chance:
        return None
    times = lost / placed / belief.odds if placed else 0.0
    if times < MATTERS:
        return None
    values: dict[str, str | float] = {"slot": slot.slot, "times": _rounded(times)}
    return Said("{slot} loses {times} times what is usual for its kind of supply", values)
