"""The memory of lots as its single owner holds it: each slot's last stays, each station's run, and what the
next commit writes of them.

Stays are looked at when a supply ends or begins, some times in an hour. Between that they lie packed, in the
very bytes that were committed: as objects those of one slot took eight kilobytes, packed they take one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import msgspec

from service.domain.model import shared
from service.domain.stays import Edge, Run, Stay, run_id, stay_id

Place = tuple[str, str]
"""Line, station."""
SlotPlace = tuple[str, str, str]


class SlotStays(msgspec.Struct, array_like=True):
    """What isn't settled of a slot's stays, and the few before; ``kept``: how it stood before its last
    change, and the loading of then."""

    line: str
    station: str
    slot: str
    chain: list[Stay] = []
    kept: tuple[str, list[Stay]] | None = None

    @property
    def place(self) -> SlotPlace:
        return self.line, self.station, self.slot

    @property
    def waits(self) -> tuple[float, int] | None:
        """For how many parts to be used, and, with how many known of before, for others than those; ``None``:
        for nothing."""
        due = min((edge.due for edge in self._edges() if not edge.is_settled), default=None)
        return None if due is None else (due, self.chain[-1].before)

    def _edges(self) -> Iterator[Edge]:
        for stay in self.chain:
            if stay.ended is not None:
                yield stay.ended
        if self.chain:
            yield self.chain[-1].begun


class StationRun(msgspec.Struct, array_like=True):
    line: str
    station: str
    run: Run


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A stay with its place: what is stored."""

    id: str
    line: str
    station: str
    slot: str
    stay: Stay


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAt:
    id: str
    line: str
    station: str
    run: Run


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """What one commit writes of stays and runs; ``gone`` are ids of stays that were undone."""

    stays: Sequence[Placed] = ()
    runs: Sequence[RunAt] = ()
    gone: Sequence[str] = ()


NOTHING = Remembered()
_encode = msgspec.msgpack.Encoder().encode
_slots = msgspec.msgpack.Decoder(SlotStays)
_runs = msgspec.msgpack.Decoder(StationRun)


def stays_key(line: str, station: str, slot: str) -> str:
    return f"stays/{line}/{station}/{slot}"


def run_key(line: str, station: str) -> str:
    return f"run/{line}/{station}"


def placed(place: SlotPlace, stay: Stay) -> Placed:
    line, station, slot = place
    return Placed(id=stay_id(*place, stay), line=line, station=station, slot=slot, stay=stay)


def run_at(place: Place, run: Run) -> RunAt:
    return RunAt(id=run_id(*place, run), line=place[0], station=place[1], run=run)


@dataclass(slots=True)
class Stays:
    """``waiting`` are the slots with an edge that isn't settled, by station, and for what each ``waits``;
    ``changed`` and ``ran`` what the next commit writes. ``touched`` is the world's."""

    packed: dict[SlotPlace, bytes] = field(default_factory=dict)
    runs: dict[Place, StationRun] = field(default_factory=dict)
    waiting: dict[Place, dict[str, tuple[float, int]]] = field(default_factory=dict)
    changed: dict[str, Placed | None] = field(default_factory=dict, compare=False)
    ran: dict[str, RunAt] = field(default_factory=dict, compare=False)
    touched: set[str] = field(default_factory=set, compare=False)

    def of(self, place: SlotPlace) -> SlotStays:
        """A slot's, to be looked at, or to be changed and then given to ``keep``."""
        data = self.packed.get(place)
        return SlotStays(*place) if data is None else _slots.decode(data)

    def keep(self, known: SlotStays) -> None:
        self.adopt(known)
        self.touched.add(stays_key(*known.place))

    def run_now(self, place: Place, run: Run) -> None:
        self.runs[place] = StationRun(*place, run)
        self.touched.add(run_key(*place))

    def write(self, place: SlotPlace, stay: Stay) -> None:
        each = placed(place, stay)
        self.changed[each.id] = each

    def write_run(self, place: Place, run: Run) -> None:
        each = run_at(place, run)
        self.ran[each.id] = each

    def drop(self, place: SlotPlace, stay: Stay) -> None:
        """It never was."""
        self.changed[stay_id(*place, stay)] = None

    def _hold(self, known: SlotStays, data: bytes) -> None:
        line, station, slot = (shared(each) for each in known.place)
        self.packed[line, station, slot] = data
        self._index(known)

    def _index(self, known: SlotStays) -> None:
        place, waits = (known.line, known.station), known.waits
        if waits is not None:
            self.waiting.setdefault(place, {})[known.slot] = waits
        elif place in self.waiting:
            self.waiting[place].pop(known.slot, None)
            if not self.waiting[place]:
                del self.waiting[place]

    def read(self, key: str, data: bytes) -> None:
        if key.startswith("run/"):
            ran = _runs.decode(data)
            self.runs[ran.line, ran.station] = ran
        else:
            self._hold(_slots.decode(data), data)

    def adopt(self, known: SlotStays) -> None:
        """From a recording."""
        self._hold(known, _encode(known))

    def forget(self, key: str) -> None:
        kind, _, rest = key.partition("/")
        line, station, *slot = rest.split("/", 2)
        if kind == "run":
            self.runs.pop((line, station), None)
        elif self.packed.pop((line, station, slot[0]), None) is not None:
            self._index(SlotStays(line, station, slot[0]))

    def encoded(self, key: str) -> bytes:
        kind, _, rest = key.partition("/")
        line, station, *slot = rest.split("/", 2)
        return _encode(self.runs[line, station]) if kind == "run" else self.packed[line, station, slot[0]]

    def keys(self) -> Iterable[str]:
        yield from (stays_key(*place) for place in self.packed)
        yield from (run_key(*place) for place in self.runs)

    def take(self) -> Remembered:
        """What changed since it was last asked."""
        if not self.changed and not self.ran:
            return NOTHING
        found = Remembered(
            stays=[each for each in self.changed.values() if each is not None],
            runs=list(self.ran.values()),
            gone=[name for name, each in self.changed.items() if each is None],
        )
        self.drop_changes()
        return found

    def drop_changes(self) -> None:
        self.changed.clear()
        self.ran.clear()

    def everything(self) -> Remembered:
        """All that is at hand, for a store that has nothing of it yet."""
        return Remembered(
            stays=[placed(place, stay) for place in self.packed for stay in self.of(place).chain],
            runs=[run_at(place, known.run) for place, known in self.runs.items()],
        )
