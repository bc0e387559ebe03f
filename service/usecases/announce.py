"""What goes out after a commit: retained forecasts, the line's open notices, the last count stored, the
live stream.

At most once a second a station, at once where a notice changed. Under load it takes a bounded share of the
time and the stations wait their turn: a late forecast topic is a small thing beside a late warning."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import msgspec

from service.domain.state import place_of
from service.domain.world import World
from service.ports import StoreError
from service.usecases.batch import Committed
from service.usecases.resend import Received, Reply, safe_to_forget
from service.usecases.show import Shown, slot_objects
from service.usecases.slots import Json

EVERY = 1.0
STATIONS_A_TURN = 20
LONGEST_PAUSE = 10.0
SHARE = 0.1
"""Of the time, at most this much goes into telling while counts keep coming."""

_encode = msgspec.json.Encoder().encode
Publish = Callable[[Iterable[tuple[str, bytes, bool]]], None]
Place = tuple[str, str]


@dataclass(slots=True)
class _Station:
    """``said``: by slot what went out last, or where no notice is live its hash, which takes a thirtieth."""

    told_at: float = -EVERY
    said: dict[str, bytes | int] = field(default_factory=dict)
    received: bytes = b""


class Announcer:
    """``commit`` notes what changed (any thread); ``run`` tells it in a thread of its own. ``count`` is
    called for each forecast that goes out, ``reply`` with what is said to the gateways of a source."""

    def __init__(
        self,
        *,
        shown: Shown,
        publish: Publish,
        stream: Callable[[str, bytes], None],
        root: str,
        count: Callable[[], None] = lambda: None,
        beat: Callable[[], None] = lambda: None,
    ) -> None:
        self._shown = shown
        self._publish = publish
        self._stream = stream
        self._root = root
        self._known: dict[Place, _Station] = {}
        self._waiting: dict[Place, None] = {}
        self._urgent: set[Place] = set()
        self._lines: set[str] = set()
        self._notices: dict[str, Json] = {}
        self._lock = threading.Lock()
        self._bell = threading.Event()
        self._stop = False
        self._count = count
        self._beat = beat
        self.reply: Reply = lambda source, messages: None

    def commit(self, committed: Committed) -> None:
        urgent = {
            (told.notice.line, told.notice.station)
            for told in committed.told
            if told.notice.line is not None and told.notice.station is not None
        }
        places = [place for key in committed.keys if (place := place_of(key)) is not None]
        with self._lock:
            self._waiting.update(dict.fromkeys(places))
            self._urgent |= urgent
            self._lines |= {told.notice.line for told in committed.told if told.notice.line is not None}
            self._notices |= {told.notice.id: msgspec.to_builtins(told.notice) for told in committed.told}
        if urgent:
            self._bell.set()

    def tell_all(self, keys: Iterable[str]) -> None:
        """Everything anew, as after a start or to a broker that may have forgotten."""
        places = [place for key in keys if (place := place_of(key)) is not None]
        with self._lock:
            self._known.clear()
            self._waiting.update(dict.fromkeys(places))
            self._lines |= {line for line, _ in places}
        self._bell.set()

    def stop(self) -> None:
        self._stop = True
        self._bell.set()

    def run(self) -> None:
        rested_at = time.monotonic()
        while not self._stop:
            self._beat()
            began = time.monotonic()
            rested = began >= rested_at
            more = self.turn(began, rested=rested)
            if rested:
                ended = time.monotonic()
                pause = max((ended - began) * (1 / SHARE - 1), 0.0 if more else 0.1)
                rested_at = ended + min(pause, LONGEST_PAUSE)
            self._bell.wait(max(0.0, rested_at - time.monotonic()))
            self._bell.clear()

    def turn(self, now: float, *, rested: bool = True) -> bool:
        """Tell what is due, most urgent first; whether more is due already. Before it is ``rested`` what is
        urgent goes alone: a notice doesn't take twenty other stations along."""
        with self._lock:
            waiting = self._waiting if rested else ()
            due = [place for place in waiting if now - self._station(place).told_at >= EVERY]
            chosen = [*self._urgent, *(place for place in due if place not in self._urgent)][:STATIONS_A_TURN]
            for place in chosen:
                self._waiting.pop(place, None)
            self._urgent -= set(chosen)
            lines, self._lines = self._lines, set()
            notices, self._notices = self._notices, {}
        out: list[tuple[str, bytes, bool]] = []
        for notice in notices.values():
            self._stream("notice", _encode(notice))
        for place in chosen:
            out += self._tell_station(place, now)
        out += [
            (f"{self._root}/{line}/notices", _encode(kept), True)
            for line, kept in self._open_notices(lines).items()
        ]
        if out:
            self._publish(out)
        return len(due) > len(chosen)

    def _station(self, place: Place) -> _Station:
        known = self._known.get(place)
        if known is None:
            known = self._known[place] = _Station()
        return known

    def _tell_station(self, place: Place, now: float) -> list[tuple[str, bytes, bool]]:
        world = self._shown.world_of(*place)
        if place not in world.stations:
            return []
        known = self._station(place)
        known.told_at = now
        received = list(self._received(world, place, known))
        if received:
            self.reply(world.stations[place].source.name, received)
        return [*self._forecasts(world, place, known), *received]

    def _forecasts(self, world: World, place: Place, known: _Station) -> Iterable[tuple[str, bytes, bool]]:
        for shown in slot_objects(world, [world.stations[place]]):
            data = _encode(shown)
            name = str(shown["slot"])
            if known.said.get(name) in (data, hash(data)):
                continue
            known.said[name] = hash(data) if shown["notice"] is None else data
            self._count()
            self._stream("forecast", data)
            yield f"{self._root}/{place[0]}/{place[1]}/{name}/forecast", data, True

    def _received(self, world: World, place: Place, known: _Station) -> Iterable[tuple[str, bytes, bool]]:
        station = world.stations[place]
        last = safe_to_forget(station)
        if last is None:
            return
        data = _encode(Received(station.counted_session, last))
        if data != known.received:
            known.received = data
            yield f"{self._root}/{place[0]}/{place[1]}/received", data, True

    def _open_notices(self, lines: set[str]) -> dict[str, list[Json]]:
        """By line; a line without any is told so. While the store can't be read the lines wait."""
        try:
            return {line: self._shown.open_notices(line, self._last_said) for line in sorted(lines)}
        except StoreError:
            with self._lock:
                self._lines |= lines
            return {}

    def _last_said(self, line: str, station: str, slot: str) -> Json | None:
        """The forecast that went out last: reckoning it again for each open notice would cost far more than
        everything else here, and say other numbers than the topic beside it."""
        known = self._known.get((line, station))
        said = None if known is None else known.said.get(slot)
        return msgspec.json.decode(said) if isinstance(said, bytes) else None
