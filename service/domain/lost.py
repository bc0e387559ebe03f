"""What was lost while stations stood: by cause, slot, part and kind of supply, and as a waterfall.

In whole milliseconds, by the full milliseconds at both ends, so that the pieces of a time add up to it. A
moment is lost once: of a line, the time of its last station, put down to the stop that began it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.domain.model import Instant
from service.domain.states import line_stretches
from service.domain.track import Cause, Stretch

SUPPLIES = (Cause.SUPPLY, Cause.EXCHANGE)
"""What is lost to supplies: they ran out, or were exchanged in time."""
NOT_PLANNED = (Cause.REST, Cause.NO_ORDER)
"""Time in which nobody meant to make anything."""
_Supply = tuple[str, str, str | None, str | None, str | None]
_FALL = (
    Cause.CHANGEOVER,
    Cause.SUPPLY,
    Cause.EXCHANGE,
    Cause.FAULT,
    Cause.STARVED,
    Cause.HELD,
    Cause.UNKNOWN,
    Cause.UNHEARD,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotLost:
    """``slot`` ``None``: which one it was isn't known. ``stops`` of both kinds together."""

    line: str
    station: str
    slot: str | None
    part: str | None
    kind: str | None
    out: int
    exchanged: int
    stops: int

    @property
    def milliseconds(self) -> int:
        return self.out + self.exchanged


@dataclass(frozen=True, slots=True)
class Step:
    """Of a waterfall: ``total`` is what there was or is left, the others are what goes off. ``name``: of a
    cause, or ``time``, ``planned``, ``worked``."""

    name: str
    milliseconds: int
    total: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """``milliseconds`` in all, ``worked`` of them; ``by_cause`` has those that were met, ``by_slot`` the
    worst first. ``by_part`` and ``by_kind`` are what supplies cost, ``None``: not known which."""

    milliseconds: int
    worked: int
    by_cause: Mapping[Cause, int]
    by_slot: Sequence[SlotLost]
    by_part: Mapping[str | None, int]
    by_kind: Mapping[str | None, int]

    @property
    def waterfall(self) -> list[Step]:
        planned = self.milliseconds - sum(self.by_cause.get(cause, 0) for cause in NOT_PLANNED)
        return [
            Step("time", self.milliseconds, total=True),
            *self._steps(NOT_PLANNED),
            Step("planned", planned, total=True),
            *self._steps(_FALL),
            Step("worked", self.worked, total=True),
        ]

    def _steps(self, causes: Iterable[Cause]) -> list[Step]:
        return [Step(cause.value, self.by_cause[cause]) for cause in causes if cause in self.by_cause]


def lost_by_lines(
    stretches: Mapping[tuple[str, str], Sequence[Stretch]], orders: Mapping[str, Sequence[str]]
) -> Lost:
    """Of the lines together; ``orders``: the stations of each, first upstream."""
    return lost_in(
        line_stretches({name: stretches.get((line, name), ()) for name in order}, order)
        for line, order in orders.items()
    )


def lost_in(several: Iterable[Sequence[Stretch]]) -> Lost:
    """Of stations or lines, each with its own time; what belongs to one stop counts as one."""
    causes: Counter[Cause | None] = Counter()
    slots: dict[_Supply, Counter[Cause]] = defaultdict(Counter)
    stops: dict[_Supply, set[Instant]] = defaultdict(set)
    for stretches in several:
        for each in stretches:
            causes[each.cause] += each.milliseconds
            stop = each.stop
            if stop is not None and stop.cause in SUPPLIES:
                supply = stop.line, stop.station, stop.slot, stop.part, stop.kind
                slots[supply][stop.cause] += each.milliseconds
                stops[supply].add(stop.since)
    by_slot = [_slot_lost(supply, lost, len(stops[supply])) for supply, lost in slots.items()]
    return Lost(
        milliseconds=causes.total(),
        worked=causes.pop(None, 0),
        by_cause={cause: causes[cause] for cause in Cause if cause in causes},
        by_slot=sorted(
            by_slot, key=lambda each: (-each.milliseconds, each.line, each.station, each.slot or "")
        ),
        by_part=_summed((each.part, each.milliseconds) for each in by_slot),
        by_kind=_summed((each.kind, each.milliseconds) for each in by_slot),
    )


def _slot_lost(supply: _Supply, lost: Mapping[Cause, int], stops: int) -> SlotLost:
    line, station, slot, part, kind = supply
    return SlotLost(
        line=line,
        station=station,
        slot=slot,
        part=part,
        kind=kind,
        out=lost.get(Cause.SUPPLY, 0),
        exchanged=lost.get(Cause.EXCHANGE, 0),
        stops=stops,
    )


def _summed(pairs: Iterable[tuple[str | None, int]]) -> dict[str | None, int]:
    """The most first."""
    sums: Counter[str | None] = Counter()
    for name, milliseconds in pairs:
        sums[name] += milliseconds
    return dict(sorted(sums.items(), key=lambda item: (-item[1], item[0] or "")))
