"""A recorded journal through the whole pipeline into an empty store: the same notices, to the last digit.

Nobody is told: a replay writes no deliveries. The settings that were in force are part of the recording.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.model import Instant, Notice
from service.domain.notices import Told
from service.domain.world import World
from service.ports import Batch, Ledger
from service.usecases.batch import Committed
from service.usecases.fold import begin, fold
from service.usecases.ingest import Ingest
from service.usecases.recording import Reader
from service.usecases.tempo import FASTEST, Tempo
from service.wire.journal import StartState, exact
from service.wire.native import Misfit

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
    kinds: Mapping[str, int]
    levels: Mapping[tuple[str, str], int]
    ends: Mapping[str, int]
    idle: int


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
    isn't empty, or a line isn't ours (the commits before it are kept)."""
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
        self._kinds: Counter[str] = Counter()
        self._notices: dict[str, tuple[Notice, str]] = {}
        world, at, self._entries = opened(entries, since=since, until=until)
        self._next = next(self._entries, None)
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
        """Apply and commit up to ``most`` entries until then; ``None``: there were none. ``Unfit``: one isn't
        ours."""
        batch: list[JournalEntry] = []
        ahead = self._next
        while ahead is not None and ahead.at <= until and len(batch) < most:
            batch.append(ahead)
            ahead = next(self._entries, None)
        if not batch:
            return None
        self.first = batch[0].at if self.first is None else self.first
        try:
            committed = self._ingest.replay(batch)
        except Misfit as misfit:
            raise _unfit(self.last, misfit) from None
        self._next = ahead  # only now: whoever looks on is short of what isn't there yet
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


def opened(
    items: Iterator[StartState | JournalEntry], *, since: Instant | None = None, until: Instant | None = None
) -> tuple[World, Instant, Iterator[JournalEntry]]:
    """The world as it was at ``since``, the moment it had come to, and the entries from there to ``until``. A
    recording without a start state begins with nothing known. ``Unfit``: what comes before isn't ours."""
    world, at = World(), 0
    match next(items, None):
        case StartState() as start:
            world, at = _state(start), start.at
        case JournalEntry() as first:
            items = chain([first], items)
    entries = _up_to(items, until)
    for entry in entries:
        if since is None or entry.at >= since:
            return world, at, chain([entry], entries)
        at = entry.at
        try:
            fold(world, entry)
        except Misfit as misfit:
            raise _unfit(at, misfit) from None
    return world, at, iter(())


def _state(start: StartState) -> World:
    try:
        return begin(start)
    except Misfit as misfit:
        raise Unfit(f"the state it begins with: {misfit}") from None


def _up_to(items: Iterator[StartState | JournalEntry], until: Instant | None) -> Iterator[JournalEntry]:
    for item in items:
        if isinstance(item, StartState):
            continue  # the reader refuses a second one
        if until is not None and item.at > until:
            return
        yield item


def _unfit(at: Instant, misfit: Misfit) -> Unfit:
    """What is wrong with the entry of that moment."""
    return Unfit(f"the entry of {exact(at)}: {misfit}")


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
