"""How often somebody may try: allowances in this process's memory, as many as it can hold, no more."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock

from service.domain.access import Allowance, seconds_until_one, spend
from service.domain.model import SECOND, Instant

SIGN_IN_HERE = Allowance(burst=5, every=20 * SECOND)
"""Of one name from one address."""
SIGN_IN_NAME = Allowance(burst=30, every=60 * SECOND)
"""Of one name from everywhere: many addresses don't help, and one alone can't lock a person out."""
SIGN_IN_ADDRESS = Allowance(burst=20, every=3 * SECOND)
WRONG_KEY = Allowance(burst=20, every=3 * SECOND)
"""Tokens, links and sessions from one address that nobody knows."""
ACT = Allowance(burst=120, every=SECOND // 5)
OPEN_STREAM = Allowance(burst=60, every=SECOND)
_MOST = 20_000


class TooMany(Exception):
    """Tried too often; ``seconds`` until the next try counts."""

    def __init__(self, seconds: int) -> None:
        super().__init__(f"too many tries; wait {seconds} s")
        self.seconds = seconds


class Allowances:
    """Spends allowances by key; safe from any thread. Who was quiet for longest is forgotten first."""

    def __init__(self, clock: Callable[[], Instant]) -> None:
        self._clock = clock
        self._full_at: OrderedDict[Hashable, Instant] = OrderedDict()
        self._lock = Lock()

    def spend(self, key: Hashable, allowance: Allowance) -> None:
        """Raises ``TooMany`` when nothing is left; that costs nothing more."""
        now = self._clock()
        with self._lock:
            full_at = self._full_at.get(key, now)
            after = spend(full_at, allowance, now)
            if after is None:
                raise TooMany(seconds_until_one(full_at, allowance, now))
            self._full_at[key] = after
            self._full_at.move_to_end(key)
            if len(self._full_at) > _MOST:
                self._full_at.popitem(last=False)
