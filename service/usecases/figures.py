"""What came of each source since we listen, and how its stations stand: for those who look after gateways.

Bounded by the sources of the configuration and by the stations that are known. Decides nothing; what is told
of a source that isn't heard is ``reach``'s."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from statistics import median_low
from threading import Lock

from service.domain import clock
from service.domain.model import SECOND, Instant
from service.domain.state import StationState
from service.incoming import Counted, Heard
from service.usecases import batch
from service.usecases.batch import Committed

LATELY = 300 * SECOND
_STEP = 10 * SECOND
_LONGEST_REASON = 200


class Figures:
    """``note`` and ``look`` by the one that owns the world, the rest from any thread."""

    def __init__(self, sources: Collection[str], *, since: Instant) -> None:
        self._lock = Lock()
        self._heard = {name: Heard(since=since) for name in sources}
        self._lately: dict[str, deque[tuple[int, int]]] = {name: deque() for name in sources}
        self._counted: Mapping[str, Counted] = {}

    def note(self, committed: Iterable[Committed], at: Instant) -> None:
        """What was committed at that moment."""
        with self._lock:
            for each in committed:
                for source, heard in each.heard.items():
                    self._add(source, heard, at)

    def look(self, stations: Iterable[StationState]) -> None:
        """How the stations stand now."""
        of: defaultdict[str, list[StationState]] = defaultdict(list)
        for each in stations:
            if each.counted_at is not None:
                of[each.source.name].append(each)
        self._counted = {name: _counted(those) for name, those in of.items()}

    def heard(self, source: str, now: Instant) -> Heard:
        with self._lock:
            known = self._heard[source]
            passed = min(now - known.since, LATELY)
            if passed < _STEP:
                return known
            oldest = (now - LATELY) // _STEP
            lately = sum(number for step, number in self._lately[source] if step >= oldest)
            return replace(known, per_minute=round(lately * 60 * SECOND / passed, 1))

    def counted(self, source: str) -> Counted:
        return self._counted.get(source) or Counted()

    def messages(self) -> dict[str, int]:
        """How many there were of each source."""
        with self._lock:
            return {name: heard.messages for name, heard in self._heard.items()}

    def _add(self, source: str, more: batch.Heard, at: Instant) -> None:
        known = self._heard[source]
        said = dict(known.said)
        for kind, number in more.said.items():
            said[kind] = said.get(kind, 0) + number
        self._heard[source] = replace(
            known,
            messages=known.messages + more.messages,
            repeats=known.repeats + more.repeats,
            refused=known.refused + more.refused,
            refused_at=at if more.refused else known.refused_at,
            reason=more.reason[:_LONGEST_REASON] if more.refused else known.reason,
            heard_at=at if more.messages else known.heard_at,
            said=said,
        )
        steps = self._lately[source]
        if steps and steps[-1][0] == at // _STEP:
            steps[-1] = at // _STEP, steps[-1][1] + more.messages
        else:
            steps.append((at // _STEP, more.messages))
            if len(steps) > LATELY // _STEP + 1:
                steps.popleft()


def _counted(stations: list[StationState]) -> Counted:
    offsets = [
        -known.offset
        for each in stations
        if (known := each.clocks.get(clock.COUNT)) is not None and known.offset is not None
    ]
    places = sorted(stations, key=lambda each: (each.line, each.station))
    return Counted(
        stations=[(each.line, each.station) for each in places],
        missing=sum(last - first + 1 for each in stations for first, last in each.holes),
        ahead=median_low(offsets) if offsets else None,
        worst=max(offsets, key=abs, default=None),
        flagged=[(each.line, each.station) for each in places if each.clock_flagged],
    )
