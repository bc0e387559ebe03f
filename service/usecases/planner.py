"""Keeps the plan of each line: looks what is ahead once the line has changed, proposes another plan where
that pays, and tells the plan as it stands.

It reads what was committed and proposes an event like anybody else, so the owner never waits for it. A line
is looked at every two seconds at most, and all of them have a bounded share of the time."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future

import msgspec

from service.domain.planning import decide
from service.domain.prospect import look_ahead
from service.domain.state import place_of
from service.usecases.batch import Ask, Committed
from service.usecases.planned import shown
from service.usecases.show import Shown
from service.usecases.slots import Json
from service.wire.native import Address

EVERY = 2.0
SHARE = 0.05
"""Of the time, at most this much goes into planning while counts keep coming."""
LONGEST_PAUSE = 30.0
BREATH = 0.005
"""Seconds between the pieces of a plan: whoever decides and commits waits for one piece at most."""
_MOMENTS = frozenset({"as_of", "at", "from", "by", "begin", "end"})
_encode = msgspec.json.Encoder().encode
Publish = Callable[[Iterable[tuple[str, bytes, bool]]], None]


class Planner:
    """``commit`` notes what changed (any thread); ``run`` plans in a thread of its own. ``propose`` hands an
    event to the owner, where there is one here."""

    def __init__(
        self,
        *,
        shown: Shown,
        propose: Callable[[Ask], None],
        publish: Publish,
        stream: Callable[[str, bytes], None],
        root: str,
        failed: Callable[[str, Exception], None] = lambda line, error: None,
        took: Callable[[float], None] = lambda seconds: None,
        beat: Callable[[], None] = lambda: None,
    ) -> None:
        """``failed`` hears of a line that couldn't be planned: no plan is worth a warning. ``took``: how many
        seconds the plan of a line took."""
        self._shown = shown
        self._propose = propose
        self._publish = publish
        self._stream = stream
        self._root = root
        self._failed = failed
        self._took = took
        self._beat = beat
        self._waiting: dict[str, None] = {}
        self._looked: dict[str, float] = {}
        self._told: dict[str, object] = {}
        self._lock = threading.Lock()
        self._stopped = threading.Event()

    def commit(self, committed: Committed) -> None:
        lines = _lines_of(committed.keys)
        with self._lock:
            self._waiting.update(lines)

    def tell_all(self, keys: Iterable[str]) -> None:
        """Everything anew, as after a start or to a broker that may have forgotten."""
        lines = _lines_of(keys)
        with self._lock:
            self._told.clear()
            self._waiting.update(lines)

    def stop(self) -> None:
        self._stopped.set()

    def run(self) -> None:
        while not self._stopped.is_set():
            self._beat()
            began = time.monotonic()
            self.turn(began)
            spent = time.monotonic() - began
            self._stopped.wait(min(max(0.2, spent * (1 / SHARE - 1)), LONGEST_PAUSE))

    def turn(self, now: float) -> None:
        """Plan for the line that waits longest, where one is due."""
        with self._lock:
            due = (line for line in self._waiting if now - self._looked.get(line, -EVERY) >= EVERY)
            line = next(due, None)
            if line is None:
                return
            del self._waiting[line]
            self._looked[line] = now
        try:
            began = time.monotonic()
            self._plan(line)
            self._took(time.monotonic() - began)
        except Exception as error:
            self._failed(line, error)

    def _plan(self, line: str) -> None:
        world = self._shown.world_of(line)
        if line not in world.lines:
            return
        self._stopped.wait(BREATH)
        prospect = look_ahead(world, line, self._shown.now(world))
        self._stopped.wait(BREATH)
        kept = decide(prospect)
        if kept is not None:
            self._propose(Ask(Address("plan", line, None), kept, _encode(kept), Future()))
        self._stopped.wait(BREATH)
        self._tell(line, shown(prospect))

    def _tell(self, line: str, plan: Json) -> None:
        core = _without_moments(plan)
        with self._lock:
            if self._told.get(line) == core:
                return
            self._told[line] = core
        data = _encode(plan)
        self._stream("plan", data)
        self._publish([(f"{self._root}/{line}/plan", data, True)])


def _lines_of(keys: Iterable[str]) -> dict[str, None]:
    """The lines that these states belong to."""
    names = (place[0] if (place := place_of(key)) is not None else _line_of(key) for key in keys)
    return dict.fromkeys(name for name in names if name is not None)


def _line_of(key: str) -> str | None:
    kind, _, name = key.partition("/")
    return name if kind == "line" else None


def _without_moments(plan: object) -> object:
    """What is news: clock times move with each count."""
    if isinstance(plan, dict):
        return {key: _without_moments(each) for key, each in plan.items() if key not in _MOMENTS}
    return [_without_moments(each) for each in plan] if isinstance(plan, list) else plan
