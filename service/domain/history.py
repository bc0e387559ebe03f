"""What is remembered of supplies and warnings that are over, and where it is kept: plain records.

Stored as they are, like ``state`` (new fields at the end, with a default). Each list is a rolling window, so
a law that changes is forgotten in time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from service.domain.model import Instant

MOST_ENDS = 200
MOST_OUTCOMES = 400


class End(msgspec.Struct, array_like=True, frozen=True):
    """How one supply ended: ``declared`` parts, ``counted`` of them placed or lost until then, ``lost`` of
    those lost (``None``: nobody said). ``empty``: that was all there was; otherwise there was more and nobody
    knows how much. ``hidden``: the losses we had expected beside those that were reported; ``labels``: so
    many supplies, joined, make up ``declared``."""

    at: Instant
    declared: int
    counted: int
    empty: bool
    lost: int | None = None
    hidden: float = 0.0
    labels: int = 1


class Booked(msgspec.Struct, array_like=True, frozen=True):
    """An end as it was noted, for a kind and a part, and the older ones that were dropped for it: of the
    kind, of the part."""

    kind: str | None
    part: str | None
    basis: str
    end: End
    dropped: tuple[list[End], list[End]]


class Learned(msgspec.Struct, array_like=True):
    """The ends of one kind of supply, or of one part of that kind, by ``basis`` of the quantity, newest last;
    ``finished`` counts those that ever were; ``version`` grows when laws are to be derived anew."""

    kind: str | None
    part: str | None = None
    ends: dict[str, list[End]] = {}
    finished: int = 0
    version: int = 0
    settled: dict[str, list[End]] | None = None

    @property
    def ruling(self) -> dict[str, list[End]]:
        """The ends that laws follow."""
        return self.ends if self.settled is None else self.settled

    def step(self, by: int = 1) -> None:
        """From now on laws follow every end there is."""
        self.version += by
        self.settled = None


class Warned(msgspec.Struct, array_like=True):
    """A first warning and what it promised: ``progress`` of the station then, the ``lead`` asked for in
    panels, ``deciles`` (5 %, 15 % … 95 % quantile) of the panels to empty. ``apart``: it couldn't come
    earlier, because the supply or the order was new."""

    at: Instant
    progress: int
    lead: int
    chance: float
    deciles: list[int]
    apart: bool = False


class Outcome(msgspec.Struct, array_like=True, frozen=True):
    """What became of one first warning: ``lead`` panels were asked for, ``given`` is how many there were
    until empty, where that was seen. ``late``: 1 or 0, or the chance of it where a refill came first.
    ``decile``: in which tenth of the forecast the end fell (0 to 9), ``covered``: inside its 90 %."""

    at: Instant
    line: str
    station: str
    slot: str
    lead: int
    given: int | None
    late: float
    chance: float
    decile: int | None = None
    covered: bool | None = None
    apart: bool = False

    @property
    def is_missed(self) -> bool:
        """The slot was empty and no warning had come before."""
        return self.given is not None and self.covered is None


class Record(msgspec.Struct, array_like=True):
    """The track record of one kind of supply: the last outcomes, newest last, and sums for ever."""

    kind: str | None
    outcomes: list[Outcome] = []
    judged: int = 0
    late: float = 0.0
    ended: int = 0
    covered: int = 0
    apart: int = 0


def kind_name(kind: str | None) -> str:
    return kind or "unknown"


def law_key(kind: str | None, part: str | None = None) -> str:
    return f"law/{kind_name(kind)}" + (f"/{part}" if part is not None else "")


def record_key(kind: str | None) -> str:
    return f"record/{kind_name(kind)}"


def summed(records: Iterable[Record]) -> list[Record]:
    """The records of several shards of a site as one of each kind, in order of the kinds' names; the last
    outcomes by when they were."""
    by_kind: dict[str, list[Record]] = {}
    for each in records:
        by_kind.setdefault(record_key(each.kind), []).append(each)
    return [_summed(by_kind[key]) for key in sorted(by_kind)]


def _summed(records: Sequence[Record]) -> Record:
    outcomes = sorted((outcome for each in records for outcome in each.outcomes), key=lambda each: each.at)
    return Record(
        records[0].kind,
        outcomes[-MOST_OUTCOMES:],
        judged=sum(each.judged for each in records),
        late=sum(each.late for each in records),
        ended=sum(each.ended for each in records),
        covered=sum(each.covered for each in records),
        apart=sum(each.apart for each in records),
    )
