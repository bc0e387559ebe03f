"""A recording said to a broker in the plant's place, at its own pace or another."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.domain.world import World
from service.mqtt.client import Broker
from service.mqtt.sender import Sender
from service.usecases.replay import LOOK, opened
from service.usecases.standin import Said, opening, said_by, shifted
from service.usecases.tempo import Tempo
from service.wire.journal import StartState


@dataclass(frozen=True, slots=True)
class Broadcasted:
    """``begun``: messages about the state before the first; ``said``: those of the recording; ``left``: never
    acknowledged."""

    begun: int
    said: int
    left: int


class Broadcast:
    """``clock``: times of messages are moved to it; ``None``: they stay. ``at``: the moment of what was said
    last, or of the state before."""

    def __init__(
        self,
        entries: Iterator[StartState | JournalEntry],
        *,
        root: str,
        since: Instant | None = None,
        until: Instant | None = None,
        clock: Callable[[], Instant] | None = None,
    ) -> None:
        self.said = 0
        self._root = root
        self._clock = clock
        self._world: World | None
        self._world, self.at, self._entries = opened(entries, since=since, until=until)
        self._next = next(self._entries, None)

    @property
    def next_at(self) -> Instant | None:
        """When the next entry is; ``None``: there are no more."""
        return None if self._next is None else self._next.at

    def run(
        self,
        broker: Broker,
        tempo: Tempo,
        *,
        trouble: Callable[[str | None], None],
        heard: Callable[[int, Instant], None] = lambda said, at: None,
    ) -> Broadcasted:
        """Until all is said and acknowledged, or the tempo ends. Raises ``RefusedError``."""
        sender = Sender(broker, trouble=trouble)
        sender.start()
        try:
            begun = self._open(sender, tempo)
            self._say_all(sender, tempo, heard)
            left = sender.finish(going_on=lambda: not tempo.ended)
        finally:
            sender.close()
        return Broadcasted(begun, self.said, left)

    def _open(self, sender: Sender, tempo: Tempo) -> int:
        world, self._world = self._world, None
        number = 0
        if world is not None:
            for said in opening(world, self.at):
                number += self._say(sender, tempo, said)
        sender.finish(going_on=lambda: not tempo.ended)
        return number

    def _say_all(self, sender: Sender, tempo: Tempo, heard: Callable[[int, Instant], None]) -> None:
        if self._next is not None:
            tempo.steer(self._next.at)
        while self._next is not None and not tempo.ended:
            if not tempo.wait(self._next.at, LOOK):
                tempo.reached()
                continue
            said, self.at = said_by(self._next), self._next.at
            if said is not None and self._say(sender, tempo, said):
                self.said += 1
            heard(self.said, self.at)
            self._next = next(self._entries, None)

    def _say(self, sender: Sender, tempo: Tempo, said: Said) -> bool:
        payload = said.payload if self._clock is None else shifted(said, self._clock())
        topic = f"{self._root}/{said.topic}"
        return sender.send(topic, payload, retain=said.retain, going_on=lambda: not tempo.ended)
