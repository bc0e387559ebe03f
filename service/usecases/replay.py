"""A recorded journal through the whole pipeline into an empty store: the same notices, to the last digit.

Nobody is told: a replay writes no deliveries. The settings that were in force are part of the recording.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain

import msgspec

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.model import Instant, Notice
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.world import World
from service.ports import Batch, Ledger
from service.usecases.fold import begin, fold
from service.usecases.ingest import Committed, Ingest
from service.usecases.recording import Reader
from service.usecases.tempo import FASTEST, Tempo
from service.wire.journal import StartState

BATCH = 200
LOOK = 0.5
"""Seconds between two looks whether to go on."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay did: entries applied, notices that came of it (each change counted), first and last
    moment. ``kinds``: entries by kind; ``levels``: notices by kind and worst level; ``ends``: how they ended,
    or their state; ``idle``: people's acts on notices that there never were."""

    entries: int
    told: int
    first: Instant | None
    last: Instant | None
    kinds: Mapping[str, int] = field(default_factory=dict)
    levels: Mapping[tuple[str, str], int] = field(default_factory=dict)
    ends: Mapping[str, int] = field(default_factory=dict)
    idle: int = 0


def replay(
    lines: Iterable[bytes],
    store: Ledger,
    *,
    batch: int = BATCH,
    since: Instant | None = None,
    until: Instant | None = None,
    heard: Callable[[int, Instant], None] = lambda entries, at: None,
) -> Replayed:
    """Apply an export, in its order, ``batch`` entries a commit. What is before ``since`` is folded into the
    state it begins with, what is after ``until`` left out; ``heard`` after each commit. ``Unfit``: the store
    isn't empty, or a line isn't ours (everything before it is kept)."""
    going = Replay(Reader().read(lines), store, since=since, until=until)
    while going.advance(most=batch) is not None:
        heard(going.entries, going.last)
    return going.done()


class Replay:
    """A recording on its way into an empty store, a batch at a time. One thread advances it; ``committed`` is
    for others to read."""

    def __init__(
        self,
        entries: Iterator[StartState | JournalEntry],
        store: Ledger,
        *,
        since: Instant | None = None,
        until: Instant | None = None,
    ) -> None:
        snapshot = store.load()
        if snapshot.position or snapshot.states:
            raise Unfit("the store isn't empty: replay into a new one (set store.url)")
        self.first: Instant | None = None
        self.told = 0
        self._until = until
        self._kinds: Counter[str] = Counter()
        self._notices: dict[str, tuple[Notice, str]] = {}
        start, waiting = begin_with(entries)
        world = begin(start)
        self._entries = _within(entries, waiting, until)
        self._next: JournalEntry | None = None
        at = self._skip(world, since, start.at)
        self.committed: dict[str, bytes] = {}
        self._ingest = Ingest(
            world=world,
            ledger=store,
            committed=self.committed,
            position=0,
            last_at=at,
            clock=lambda: at,
            root="",
            tell=False,
        )
        _begin(store, self._ingest)

    @property
    def next_at(self) -> Instant | None:
        """When the next entry is; ``None``: there are no more."""
        return None if self._next is None else self._next.at

    @property
    def entries(self) -> int:
        """How many have been applied."""
        return self._ingest.position

    @property
    def last(self) -> Instant:
        """The moment of the last one, or of the state it began with."""
        return self._ingest.last_at

    def advance(self, *, most: int = BATCH, until: float = FASTEST) -> Committed | None:
        """Apply and commit up to ``most`` entries of before then; ``None``: there were none."""
        batch: list[JournalEntry] = []
        while self._next is not None and self._next.at <= until and len(batch) < most:
            batch.append(self._next)
            self._next = next(self._entries, None)
        if not batch:
            return None
        self.first = batch[0].at if self.first is None else self.first
        committed = self._ingest.replay(batch)
        self._kinds.update(entry.kind for entry in batch)
        self._note(committed.told)
        return committed

    def done(self) -> Replayed:
        """What came of it until now."""
        return Replayed(
            self.entries,
            self.told,
            self.first,
            self.last if self.entries else None,
            kinds=dict(self._kinds),
            levels=Counter((notice.kind, level) for notice, level in self._notices.values()),
            ends=Counter(notice.closed_because or notice.state for notice, _ in self._notices.values()),
            idle=self._ingest.idle_acts,
        )

    def _skip(self, world: World, since: Instant | None, at: Instant) -> Instant:
        """Fold what is before ``since``; the moment of the state that this gives."""
        self._next = next(self._entries, None)
        while since is not None and self._next is not None and self._next.at < since:
            fold(world, self._next)
            at = self._next.at
            self._next = next(self._entries, None)
        return at

    def _note(self, told: list[Told]) -> None:
        self.told += len(told)
        for each in told:
            notice = each.notice
            before = self._notices.get(notice.id)
            self._notices[notice.id] = notice, max(before[1] if before else "", notice.level, key=_badness)


_WORSE = ("", "early", "urgent", "empty")


def _badness(level: str) -> int:
    return _WORSE.index(level) if level in _WORSE else 0


def play(
    going: Replay,
    tempo: Tempo,
    *,
    batch: int = BATCH,
    heard: Callable[[Committed], None] = lambda committed: None,
) -> None:
    """Advance at this tempo until the recording or the tempo ends."""
    while (at := going.next_at) is not None and not tempo.ended:
        committed = going.advance(most=batch, until=tempo.due())
        if committed is not None:
            heard(committed)
        elif not tempo.wait(at, LOOK):
            tempo.reached()
    tempo.reached()


def begin_with(entries: Iterator[StartState | JournalEntry]) -> tuple[StartState, list[JournalEntry]]:
    """The state to begin with; a recording without one begins with nothing known."""
    head = next(entries, None)
    if isinstance(head, StartState):
        return head, []
    nothing = StartState(position=0, at=0, policy=msgspec.Raw(msgspec.json.encode(Policy())))
    return nothing, [] if head is None else [head]


def _within(
    entries: Iterator[StartState | JournalEntry], waiting: list[JournalEntry], until: Instant | None
) -> Iterator[JournalEntry]:
    for entry in chain(waiting, entries):
        if isinstance(entry, StartState):
            continue  # the reader refuses a second one
        if until is not None and entry.at > until:
            return
        yield entry


def _begin(store: Ledger, ingest: Ingest) -> None:
    """Store the state it starts from, as a checkpoint too, so that an export of the copy begins alike."""
    world = ingest.world
    world.touch_all()
    states = world.take_changes()
    ingest.committed.update({key: data for key, data in states.items() if data is not None})
    notices = [
        slot.notice
        for station in world.stations.values()
        for slot in station.slots.values()
        if slot.notice is not None
    ] + [standing.notice for standing in world.standing.values() if standing.notice is not None]
    world.stays.take()
    store.commit(
        Batch(
            position=0,
            journal=[],
            states=states,
            notices=notices,
            deliveries=[],
            refused=[],
            remembered=world.stays.everything(),
        )
    )
    store.save_checkpoint(0, ingest.last_at, dict(ingest.committed))
