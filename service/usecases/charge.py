"""Taking charge, staying in it, and noticing that it is over: the lease's keeper, in a thread of its own.

Only a start takes its own lease back at once; who lost it waits until it is free, so that two that bear one
name by mistake don't take it from one another for ever. Times are those of a clock that nobody sets."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from service.domain.model import to_rfc3339
from service.lease import LENGTH, Lease, Leases
from service.ports import StoreError

RENEW_EVERY = 2.0
LOOK_EVERY = 1.0
SAME_NAME = "it bears our own name: give each instance its own in site.instance"


class Charge:
    """``begin`` is called with the lease when it is ours, ``lost`` with the reason when it no longer is; both
    must return soon, for nothing is renewed meanwhile. ``steady``: seconds that go on while we are paused."""

    def __init__(
        self,
        *,
        leases: Leases,
        owner: str,
        life: str,
        steady: Callable[[], float],
        begin: Callable[[Lease], None],
        lost: Callable[[str], None],
        beat: Callable[[], None] = lambda: None,
    ) -> None:
        self.lease: Lease | None = None
        self._leases = leases
        self._owner = owner
        self._life = life
        self._steady = steady
        self._begin = begin
        self._lost = lost
        self._beat = beat
        self._other: Lease | None = None
        self._other_since = steady()
        self._starting = True
        self._sure_until = float("-inf")
        self._stop = threading.Event()

    def run(self) -> None:
        while not self._stop.is_set():
            self._beat()
            with contextlib.suppress(StoreError):  # whether we are still in charge, `sure` says
                self.turn()
            self._stop.wait(LOOK_EVERY if self.lease is None else RENEW_EVERY)

    def stop(self) -> None:
        self._stop.set()

    def turn(self) -> None:
        """Look, take or renew, once."""
        began = self._steady()
        lease = self._try_to_take(began) if self.lease is None else self._renew(self.lease)
        if lease is not None:
            taken, self.lease = self.lease is None, lease
            self._sure_until = began + LENGTH
            if taken:
                self._begin(lease)

    def sure(self) -> bool:
        """Whether nobody else can be in charge: ours, and renewed less than a lease's length ago."""
        return self.lease is not None and self._steady() < self._sure_until

    def release(self) -> None:
        """At the end, when nothing writes any more: whoever stands by needn't wait."""
        if self.lease is not None:
            self._leases.release(self.lease)

    def standing(self) -> str:
        """Why this instance isn't the active one, in words."""
        other = self._other
        if other is None:
            return "standing by: nobody is in charge yet"
        return f"standing by: {other.owner} is in charge until {to_rfc3339(other.until)}"

    def _try_to_take(self, now: float) -> Lease | None:
        other = self._leases.look()
        if other != self._other:
            self._other, self._other_since = other, now
        unmoved = other if now - self._other_since > LENGTH else None
        lease = self._leases.take(owner=self._owner, life=self._life, at_once=self._starting, unmoved=unmoved)
        self._starting = False
        return lease

    def _renew(self, held: Lease) -> Lease | None:
        lease = self._leases.renew(held)
        if lease is None:
            self._stop.set()
            self._sure_until = float("-inf")
            self._lost(self._successor())
        return lease

    def _successor(self) -> str:
        other = self._leases.look()
        if other is None:
            return "the store no longer knows of our lease"
        why = f"; {SAME_NAME}" if other.owner == self._owner else ""
        return f"{other.owner} is in charge since (term {other.term}){why}"
