"""Who is in charge of a store, and what those that stand by ask of them, with the contracts in prose.

At most one instance writes. It holds the lease, and each of its transactions looks for the lease's term, so
that one that was paused, cut off or slow writes nothing once another has taken over. Nothing here does
anything; adapters pass the suite in ``tests/contract``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from service.domain.model import SECOND, Instant, Notice

LENGTH = 10.0
"""Seconds a lease holds. It is renewed every two: a renewal that runs into the store's own bound of five
seconds leaves time for another. Who stands by takes over two to three seconds after a clean stop at most,
and within twelve of a death."""


def term_before_a_restore(now: Instant) -> int:
    """The term of a store that is put back from a backup: higher than any before it, so that no instance
    from before is taken for the one in charge. Whole seconds, by which the next term is known."""
    return now // SECOND * SECOND


def follows_a_restore(term: int) -> bool:
    """Whether it is the first since the store was put back from a backup."""
    return term > SECOND and term % SECOND == 1


class LeaseLost(Exception):
    """Another instance has taken the lease since: nothing was written, and nothing may be from now on."""

    def __init__(self, what: str = "another instance is in charge of the store now") -> None:
        super().__init__(what)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """``owner`` is the instance, the same over its restarts; ``life`` one start of it. ``term`` is 1 for the
    first life that held the lease and grows with every further one; ``until`` by the store's clock."""

    owner: str
    life: str
    term: int
    until: Instant


class Leases(Protocol):
    """The one lease of a store, by PostgreSQL's clock or, on SQLite, this machine's. From any thread. May
    raise ``StoreError``; each call may then be made again."""

    def look(self) -> Lease | None:
        """The lease as it is, run out or not; ``None``: nobody ever held it."""
        ...

    def take(
        self, *, owner: str, life: str, at_once: bool = False, unmoved: Lease | None = None
    ) -> Lease | None:
        """The lease, when it is ours now, under a new term; ``None`` while another holds it.

        It is free when it has run out, when it still equals ``unmoved`` (which the caller has watched for
        longer than a lease holds, so that no clock that was set back keeps a dead owner in charge) and, with
        ``at_once``, when its owner is ``owner`` itself. A life that holds it already gets it again as it is.
        Waits for what the owner before is writing, and for nothing it begins later: that fails.
        """
        ...

    def renew(self, lease: Lease) -> Lease | None:
        """The lease, good for ``LENGTH`` from now, run out or not; ``None``: another term has begun."""
        ...

    def release(self, lease: Lease) -> None:
        """Give it up: whoever looks next may take it. Nothing happens when it is another's by now."""
        ...


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person did at an instance that stands by; ``id`` is made there."""

    id: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Answered:
    """What came of it, in a few bytes that the instance which asked understands."""

    id: str
    answer: bytes


class Asks(Protocol):
    """What is passed to the instance in charge. May raise ``StoreError``. Everyone asks and looks for
    answers; only the one in charge calls ``waiting``, ``settle`` and ``forget``. What is answered together
    with a batch is written by ``Ledger.commit``, so that nothing is done twice, whoever dies when."""

    def ask(self, asked: Asked, *, seconds: float) -> None:
        """Put it there, to be done within so many seconds; the same ``id`` again changes nothing."""
        ...

    def answer(self, ask_id: str) -> bytes | None:
        """What came of it; ``None`` so far."""
        ...

    def waiting(self) -> Sequence[Asked]:
        """What isn't answered and still may be, the oldest first."""
        ...

    def settle(self, answered: Answered) -> None:
        """Answer what needs no batch; a second answer changes nothing. ``LeaseLost``."""
        ...

    def forget(self) -> int:
        """Delete what ended over a minute ago; how many. ``LeaseLost``."""
        ...


class Followed(Protocol):
    """What an instance that stands by reads again and again. May raise ``StoreError``."""

    def position(self) -> int:
        """The number of the next journal entry: while it stays, no state and no notice changes."""
        ...

    def states(self, prefix: str, *, but: str | None = None) -> Mapping[str, bytes]: ...

    def notice(self, notice_id: str) -> Notice | None: ...

    def open_notices(self) -> Mapping[str, int]:
        """The ids of all notices that aren't closed, with their versions."""
        ...
