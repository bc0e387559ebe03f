"""One supply's time in one slot, and what it says about panels; values only, the rules that follow what
happens are in ``succession``.

Panels are counted by the station's running total, parts by the slot's, both of which only grow. Between two
supplies there is an edge that both share, so every part belongs to one stay, or to the doubt at an edge."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from math import inf

import msgspec

from service.domain.model import Instant

LOADED_OVER, JOINT_PASSED, REMOVED = "loaded over", "joint passed", "removed"
SEEN_REFILLED, RAN_EMPTY = "seen refilled", "ran empty"
HOW = (LOADED_OVER, JOINT_PASSED, REMOVED, SEEN_REFILLED, RAN_EMPTY)


class Edge(msgspec.Struct, array_like=True, frozen=True):
    """Where one supply follows another.

    ``at`` is when (``None``: not yet, or before we heard), ``used`` the slot's parts by then, as the books
    have it. Panels up to ``early`` are surely the supply's before, those beyond ``late`` surely the one's
    after; ``None``: not known yet. ``early`` is known once more than ``low`` parts were used, ``late`` once
    more than ``high`` were; a ``high`` of ``None`` is never reached.
    """

    at: Instant | None
    used: int
    low: int
    high: int | None
    early: int | None = None
    late: int | None = None

    @property
    def is_settled(self) -> bool:
        return self.at is not None and self.early is not None and self.late is not None

    @property
    def is_passed(self) -> bool:
        return self.at is not None or self.late is not None

    @property
    def due(self) -> float:
        """So many parts must have been used for a count to show more of it."""
        if self.early is None:
            return min(self.low + 1, self.used)
        late = inf if self.late is not None or self.high is None else self.high + 1
        return late if self.at is not None else min(late, self.used)


class Stay(msgspec.Struct, array_like=True, frozen=True):
    """``ended`` of a supply with a tape joined behind it is where the joint should pass. ``late_parts``: what
    late counts said that it gave before its end; ``before``: how many of such parts the slot had known of
    when this stay began. ``first_at``: when it was first written down."""

    loading: str
    kind: str | None
    part: str | None
    lot: str | None
    supply: str | None
    quantity: int | None
    assumed: bool
    by: str | None
    begun: Edge
    first_at: Instant
    ended: Edge | None = None
    how: str | None = None
    ended_by: str | None = None
    before: int = 0
    late_parts: int = 0

    @property
    def feeds(self) -> bool:
        """Whether it is in the slot, perhaps behind a joint that hasn't passed."""
        return self.ended is None or self.ended.at is None

    @property
    def since(self) -> Instant:
        """When it began, or was first written down where that isn't known."""
        return self.first_at if self.begun.at is None else self.begun.at

    @property
    def first_panel(self) -> int | None:
        """The first that it may have fed; ``None``: none yet, or none at all."""
        if self.begun.early is None or self.begun == self.ended:
            return None
        return self.begun.early + 1

    @property
    def used(self) -> int | None:
        return None if self.ended is None else self.ended.used - self.begun.used + self.late_parts


class Run(msgspec.Struct, array_like=True, frozen=True):
    """A stretch of a station's panels with one order and one recipe. Panel n of the order is ``base`` + n of
    the station's total; not ``start_seen``: so many that we know of. ``uses``: the slots that the recipe uses
    (``None``: no recipe was heard); ``together``: those of them that feed the same placements."""

    order: str | None
    recipe: str | None
    since: int
    base: int
    at: Instant
    start_seen: bool = False
    uses: list[str] | None = None
    together: list[list[str]] = []
    until: int | None = None

    def is_like(self, other: Run) -> bool:
        return self.key == other.key

    @property
    def key(self) -> tuple[object, ...]:
        return self.order, self.recipe, self.base, self.start_seen, self.uses, self.together


def stay_id(line: str, station: str, slot: str, stay: Stay) -> str:
    """Named after slot and loading, and when it was first written down, as a source may use the name of a
    loading again: a replay and another database find the same."""
    return "s" + _digest(line, station, slot, stay.loading, str(stay.first_at))


def run_id(line: str, station: str, run: Run) -> str:
    return "r" + _digest(line, station, str(run.since))


def _digest(*names: str) -> str:
    return hashlib.sha256("\x1f".join(names).encode("utf-8", "surrogatepass")).hexdigest()[:20]


class Span(msgspec.Struct, frozen=True):
    """Panels of one order, first and last, counted from 1; of the station's own total where ``order`` is
    ``None``. What lies in ``possible`` but not in ``sure`` may have parts of the neighbour too, or only of
    it."""

    order: str | None
    recipe: str | None
    start_seen: bool
    possible: tuple[int, int]
    sure: tuple[int, int] | None


def spans(slot: str, stay: Stay, runs: Sequence[Run], progress: int) -> list[Span]:
    """The panels that it fed, by order, oldest first. ``runs``: those of its station that it may have lived
    through, in order; ``progress``: how many panels the station has completed."""
    begun, ended = stay.begun, stay.ended
    if begun == ended:
        return []
    now = progress if ended is None or ended.late is None else ended.late
    first = (begun.early if begun.early is not None else progress) + 1
    if ended is not None and ended.early is not None and ended.used == begun.low and not stay.late_parts:
        first = ended.early + 1  # nothing was counted by then
    surely = None if begun.late is None else begun.late + 1
    last_sure = now if ended is None or ended.early is None else ended.early
    found: list[Span] = []
    for run, low, high in _stretches(runs, first, now):
        if run is not None and run.uses is not None and slot not in run.uses:
            continue
        shared = run is not None and any(slot in group for group in run.together)
        sure = None if shared or surely is None else _within(low, high, surely, last_sure)
        _add(found, _span(run, (low, high), sure))
    return found


def _stretches(runs: Sequence[Run], first: int, last: int) -> Iterator[tuple[Run | None, int, int]]:
    """The panels from ``first`` to ``last`` by the run they belong to, with those that belong to none."""
    at = first
    for run in runs:
        low, high = max(at, run.since + 1), last if run.until is None else min(last, run.until)
        if high < low:
            continue
        if low > at:
            yield None, at, low - 1
        yield run, low, high
        at = high + 1
    if at <= last:
        yield None, at, last


def _within(low: int, high: int, first: int, last: int) -> tuple[int, int] | None:
    first, last = max(low, first), min(high, last)
    return (first, last) if first <= last else None


def _span(run: Run | None, possible: tuple[int, int], sure: tuple[int, int] | None) -> Span:
    if run is None or run.order is None:
        return Span(None, None if run is None else run.recipe, True, possible, sure)
    less = run.base
    mine = None if sure is None else (sure[0] - less, sure[1] - less)
    return Span(run.order, run.recipe, run.start_seen, (possible[0] - less, possible[1] - less), mine)


def _add(found: list[Span], span: Span) -> None:
    """Runs of one order that follow each other are one span of it."""
    last = found[-1] if found else None
    if last is None or (last.order, last.recipe, last.possible[1] + 1) != (
        span.order,
        span.recipe,
        span.possible[0],
    ):
        found.append(span)
        return
    sure = last.sure or span.sure
    if last.sure is not None and span.sure is not None:
        if last.sure[1] + 1 != span.sure[0]:
            found.append(span)
            return
        sure = (last.sure[0], span.sure[1])
    possible = (last.possible[0], span.possible[1])
    found[-1] = Span(span.order, span.recipe, last.start_seen and span.start_seen, possible, sure)
