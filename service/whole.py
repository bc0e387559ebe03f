"""The whole site as one of its shards sees it: what the others have committed, whom to ask there, and whether
anybody is in charge of them. Where the floor isn't divided it is just this instance.

Each of the others is followed as an instance that stands by follows the one in charge: read from the store,
never asked."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.divided import Watch
from service.domain.events import PersonAct, SupplyCare
from service.domain.model import Instant
from service.domain.shards import Division, Shard, owner_of
from service.domain.state import notice_key
from service.lease import LENGTH, Lease, Leases
from service.ports import Archive, StoreError
from service.store import Store, United, open_store, open_united
from service.usecases.asks import Passing
from service.usecases.batch import Ask, Committed
from service.usecases.follow import SHARE, Follower
from service.usecases.supplied import read_supplies
from service.usecases.together import Together

LOOK_EVERY = 2.0


@dataclass(slots=True)
class Attendance:
    """Whether somebody is in charge of a shard, as of the last look: who is renews the lease, by whatever
    clock. ``steady``: seconds that nobody sets."""

    leases: Leases
    steady: Callable[[], float]
    _lease: Lease | None = None
    _since: float = field(init=False)
    _looked: float = field(init=False)

    def __post_init__(self) -> None:
        self._since = self._looked = self.steady()

    def look(self) -> None:
        """``StoreError``: as before."""
        lease, self._looked = self.leases.look(), self.steady()
        if lease != self._lease:
            self._lease, self._since = lease, self._looked

    @property
    def is_missing(self) -> bool:
        return self._looked - self._since > LENGTH

    @property
    def missing_since(self) -> Instant | None:
        """By the store's clock; ``None``: somebody is, or nobody ever was."""
        return self._lease.until if self.is_missing and self._lease is not None else None


@dataclass(slots=True)
class Neighbour:
    """Another shard."""

    shard: Shard
    store: Store
    committed: dict[str, bytes]
    follower: Follower
    passing: Passing
    attendance: Attendance


class Whole:
    """``committed`` and ``store`` are what there is to read of all shards; ``store`` isn't to be written to.
    ``division``: which lines are whose, where there are shards. ``put`` from any thread; ``threads`` are to
    run until ``stop``."""

    def __init__(
        self,
        *,
        own: Store,
        committed: Mapping[str, bytes],
        put: Callable[[Ask], None],
        division: Division | None = None,
        open_shard: Callable[[Shard], Store] | None = None,
        united: United | None = None,
        watch: Watch | None = None,
        tell: Callable[[Committed], None] = lambda _committed: None,
        beater: Callable[[str], Callable[[], None]] = lambda _name: lambda: None,
        steady: Callable[[], float],
    ) -> None:
        """``put`` hands an ask to our own owner; ``tell`` hears what the others commit. With a ``division``
        also ``open_shard``, which gives the store of one, and ``united``, the store of all to be read.
        ``watch`` looks whether the floor is divided otherwise."""
        self.division = division
        self._put, self._own = put, own
        self._stop = threading.Event()
        self.neighbours: list[Neighbour] = []
        if division is not None and open_shard is not None:
            self.neighbours = [
                _neighbour(
                    each,
                    open_shard(each),
                    tell,
                    beater(f"shard {each.name}"),
                    steady,
                    share=SHARE / len(division.others),
                )
                for each in division.others
            ]
        self.committed: Mapping[str, bytes] = committed
        if self.neighbours:
            self.committed = Together([committed, *(each.committed for each in self.neighbours)])
        self._united, self._division_watch = united, watch
        self.store: Store | United = own if united is None else united

    @property
    def journals(self) -> Sequence[Archive]:
        """Those to be read together."""
        return [self._own.archive, *(each.store.archive for each in self.neighbours)]

    @property
    def speaks(self) -> bool:
        """Whether what concerns the whole site is told by this shard: the one that has all other lines."""
        return self.division is None or self.division.own.catches_all

    def put(self, ask: Ask) -> None:
        """To the owner of what it is about, in whichever shard."""
        neighbour = self._whose(ask)
        (self._put if neighbour is None else neighbour.passing.put)(ask)

    def of_delivery(self, delivery_id: int) -> Passing | None:
        """How to ask the shard that sends it; ``None``: ours does. ``StoreError``."""
        for each in self.neighbours:
            if each.store.outbox.delivery(delivery_id) is not None:
                return each.passing
        return None

    def missing(self) -> list[str]:
        """The shards that nobody is in charge of."""
        return [each.shard.name for each in self.neighbours if each.attendance.is_missing]

    def unattended(self, line: str) -> Instant | None:
        """Since when nobody is in charge of a line; ``None``: somebody is."""
        neighbour = self._of_line(line)
        return None if neighbour is None else neighbour.attendance.missing_since

    def refresh(self) -> None:
        """Read what the others have committed; one that can't be read is shown as it was."""
        for each in self.neighbours:
            with contextlib.suppress(StoreError):
                each.follower.refresh()

    def threads(self) -> Iterator[tuple[str, Callable[[], None]]]:
        """What to run, by the name of its thread."""
        for each in self.neighbours:
            yield f"shard {each.shard.name}", each.follower.run
        if self.neighbours:
            yield "shards", self._watch
        if self._division_watch is not None:
            yield "division", self._division_watch.run

    def stop(self) -> None:
        self._stop.set()
        if self._division_watch is not None:
            self._division_watch.stop()
        for each in self.neighbours:
            each.passing.stopped.set()
            each.follower.stop()

    def close(self) -> None:
        for each in self.neighbours:
            each.store.close()
        if self._united is not None:
            self._united.close()

    def _watch(self) -> None:
        while not self._stop.wait(LOOK_EVERY):
            for each in self.neighbours:
                with contextlib.suppress(StoreError):
                    each.attendance.look()

    def _whose(self, ask: Ask) -> Neighbour | None:
        if ask.address.line:
            return self._of_line(ask.address.line)
        if isinstance(ask.message, PersonAct):
            key = notice_key(ask.message.notice)
            return next((each for each in self.neighbours if key in each.committed), None)
        if isinstance(ask.message, SupplyCare):
            return self._of_supply(ask.message.supply)
        return None

    def _of_line(self, line: str) -> Neighbour | None:
        if self.division is None:
            return None
        owner = owner_of(line, self.division.shards)
        return next((each for each in self.neighbours if each.shard == owner), None)

    def _of_supply(self, name: str) -> Neighbour | None:
        """Where it is loaded, as far as anybody knows: there its floor life is known."""
        parts = self.committed.parts() if isinstance(self.committed, Together) else [self.committed]
        found = [known for part in parts for known in read_supplies(part, [f"supply/{name}"])]
        latest = max(found, key=lambda known: (known.moved or 0, known.at or 0), default=None)
        return None if latest is None or latest.where is None else self._of_line(latest.where[0])


def whole_site(
    url: str,
    division: Division | None,
    *,
    own: Store,
    committed: Mapping[str, bytes],
    put: Callable[[Ask], None],
    tell: Callable[[Committed], None],
    changed: Callable[[str], None],
    beater: Callable[[str], Callable[[], None]],
    steady: Callable[[], float],
) -> Whole:
    """As it is divided on the database at ``url``; ``changed`` hears that it is divided otherwise since."""
    whole = Whole(
        own=own,
        committed=committed,
        put=put,
        division=division,
        watch=Watch(own.registry, division, changed=changed, beat=beater("division"))
        if own.can_be_shared
        else None,
        open_shard=lambda each: open_store(url, migrate=False, shard=each, connections=2),
        united=None if division is None else open_united(url),
        tell=tell,
        beater=beater,
        steady=steady,
    )
    whole.refresh()
    return whole


def _neighbour(
    shard: Shard,
    store: Store,
    tell: Callable[[Committed], None],
    beat: Callable[[], None],
    steady: Callable[[], float],
    *,
    share: float,
) -> Neighbour:
    committed: dict[str, bytes] = {}
    follower = Follower(followed=store.archive, committed=committed, tell=tell, beat=beat, share=share)
    attendance = Attendance(store.leases, steady)
    passing = Passing(asks=store.asks, refresh=follower.refresh, missing=lambda: attendance.is_missing)
    return Neighbour(shard, store, committed, follower, passing, attendance)
