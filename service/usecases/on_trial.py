"""What a source on trial would have counted, beside what is counted now.

Its messages take the very path of all others, in a world of its own: no store, nobody is told. What each slot
consumed is summed over its loadings, by the same arithmetic on both sides."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from service.domain.model import Instant, to_rfc3339
from service.domain.policy import Policy
from service.domain.state import StationState, station_key
from service.domain.world import Place, World
from service.ports import Batch, Snapshot
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.wire.gateway import Translator

MOST_REASONS = 50
Json = dict[str, Any]
_SlotPlace = tuple[str, str, str]


class Unkept:
    """A ledger that keeps nothing but why messages were refused and how many entries there were."""

    def __init__(self) -> None:
        self.entries: Counter[str] = Counter()
        self.refused: Counter[str] = Counter()

    def load(self) -> Snapshot:
        return Snapshot(position=0, at=0, states={}, notices=())

    def commit(self, batch: Batch) -> None:
        self.entries.update(entry.kind for entry in batch.journal)
        for each in batch.refused:
            if each.reason in self.refused or len(self.refused) < MOST_REASONS:
                self.refused[each.reason] += 1
            else:
                self.refused["other reasons"] += 1

    def save_checkpoint(self, position: int, at: Instant, states: Mapping[str, bytes]) -> None:
        """There is nothing to begin from."""

    def prune(self, *, before: Instant, stays_before: Instant | None = None) -> int:
        return 0


class Consumed:
    """What the slots consumed and the stations made since they were first looked at. Losses between the last
    look and the end of a loading count as placed: look often."""

    def __init__(self, *, from_zero: bool) -> None:
        """``from_zero``: a station that is seen for the first time began after us."""
        self.slots: dict[_SlotPlace, tuple[int, int]] = {}
        self.panels: dict[Place, int] = {}
        self._from_zero = from_zero
        self._seen: dict[_SlotPlace, tuple[str, int, int]] = {}
        self._progress: dict[Place, int] = {}

    def look(self, stations: Iterable[StationState]) -> None:
        for station in stations:
            place = station.line, station.station
            before = self._progress.get(place, 0 if self._from_zero else station.progress)
            self.panels[place] = self.panels.get(place, 0) + station.progress - before
            self._progress[place] = station.progress
            for name, slot in station.slots.items():
                self._look_at((*place, name), (slot.loading, slot.used + slot.before, slot.lost))

    def _look_at(self, place: _SlotPlace, now: tuple[str, int, int]) -> None:
        loading, used, lost = now
        begun, used_before, lost_before = self._seen.get(place, (loading, 0, 0) if self._from_zero else now)
        sums = self.slots.get(place, (0, 0))
        gone = lost if begun != loading else max(0, lost - lost_before)
        self.slots[place] = sums[0] + max(0, used - used_before), sums[1] + gone
        self._seen[place] = now


class OnTrial:
    """``ingest`` is what hears it; ``figures`` from any thread."""

    def __init__(
        self, source: str, translator: Translator, policy: Policy, *, clock: Callable[[], Instant]
    ) -> None:
        self.ledger = Unkept()
        self.ingest = Ingest(
            world=World(policy=policy),
            ledger=self.ledger,
            committed={},
            position=0,
            last_at=0,
            clock=clock,
            root="",
            tell=False,
            sources=Gateways({source: translator}),
        )
        self._source = source
        self._since = clock()
        self._trial = Consumed(from_zero=True)
        self._counted = Consumed(from_zero=False)

    def slots_known(self) -> int:
        return sum(len(each.slots) for each in self.ingest.world.stations.values())

    def look(self, counted: Mapping[str, bytes]) -> None:
        """Take note of how far both are; ``counted`` is what is committed in truth."""
        ours = list(self.ingest.world.stations.values())
        self._trial.look(ours)
        keys = {station_key(each.line, each.station) for each in ours}
        states = {key: data for key in keys if (data := counted.get(key)) is not None}
        self._counted.look(World.from_states(states).stations.values())

    def figures(self) -> Json:
        trial, counted = self._trial, self._counted
        return {
            "source": self._source,
            "since": to_rfc3339(self._since),
            "messages": dict(self.ledger.entries),
            "slots": [
                {
                    **dict(zip(("line", "station", "slot"), place, strict=True)),
                    "trial": _consumed(trial.slots[place]),
                    "counted": _consumed(counted.slots[place]) if place in counted.slots else None,
                }
                for place in sorted(trial.slots.copy())
            ],
            "panels": [
                {"line": place[0], "station": place[1], "trial": made, "counted": counted.panels.get(place)}
                for place, made in sorted(trial.panels.copy().items())
            ],
            "refused": [
                {"reason": reason, "times": times} for reason, times in self.ledger.refused.most_common()
            ],
        }


def _consumed(sums: tuple[int, int]) -> Json:
    taken, lost = sums
    return {"placed": taken - lost, "lost": lost}
