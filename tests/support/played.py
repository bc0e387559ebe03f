"""An outlet that bundles, its lane and an outbox in memory, played through in made-up time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from service.domain.model import SECOND, Change, Instant, Notice
from service.domain.traffic import Pace, pace_for_people
from service.ports import Delivered, Delivery, Failed
from service.usecases.deliver.bundling import messages
from service.usecases.deliver.ends import judge, untold
from service.usecases.deliver.lane import Lane
from service.usecases.deliver.telling import is_moot, telling
from tests.support.notices import AT, new_delivery
from tests.support.outbox import MemoryOutbox


class Room:
    """An outlet that takes messages in made-up time; ``refuses`` says what it doesn't take."""

    name, bundles = "chat", True

    def __init__(self, pace: Pace) -> None:
        self.pace = pace

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        raise NotImplementedError

    async def close(self) -> None: ...


Refuses = Callable[[Sequence[Notice], Instant], Failed | None]


@dataclass
class Played:
    """The lane's rules, looked at every tenth of a second; sending takes no time."""

    refuses: Refuses = lambda _, __: None
    now: Instant = AT
    outbox: MemoryOutbox = field(default_factory=MemoryOutbox)
    told: list[tuple[Instant, list[Notice]]] = field(default_factory=list)
    tries: list[tuple[Instant, list[Notice]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.lane = Lane("chat", Room(pace_for_people()))

    def commit(self, *notices: Notice, change: Change | None = None) -> None:
        for each in notices:
            new = new_delivery(each, outlet="chat", at=self.now)
            if change is not None:
                key = f"{each.id}:r{each.reminded}"
                new = replace(new, key=key, change=change)
            self.outbox.enqueue(new)
        self.look()

    def run(self, seconds: float) -> None:
        end = self.now + round(seconds * SECOND)
        while self.now < end:
            self.now = min(end, self.now + SECOND // 10)
            self.look()

    def look(self) -> None:
        while rows := self._claim():
            moot = [each for each in rows if is_moot(each)]
            for each in moot:
                self.outbox.settle(each, owner="me", settled=untold(each, self.now))
            worth = [each for each in rows if each not in moot]
            for bundle in messages(worth, at_most=self._at_most) if worth else []:
                self._send(bundle)

    def _claim(self) -> list[Delivery]:
        lease = self.now + 45 * SECOND
        if self.lane.traffic.half_open:
            room = self.lane.room(self.now)
            self._at_most = 1
            return self.outbox.claim(
                owner="me", now=self.now, lease_until=lease, limit=room.rows, outlet="chat", since=room.since
            )
        for wish in self.lane.wishes(self.now):
            rows = self.outbox.claim(
                owner="me",
                now=self.now,
                lease_until=lease,
                limit=wish.rows,
                outlet="chat",
                bundle=True,
                tried=wish.tried,
                pressing=wish.pressing,
            )
            if rows:
                self.lane.old_first = wish.tried is False
                self._at_most = wish.messages
                return rows
        return []

    def _send(self, bundle: list[Delivery]) -> None:
        self.lane.begins(self.now)
        said = [telling(each, bundles=True).notice for each in bundle]
        self.tries.append((self.now, said))
        outcome = self.refuses(said, self.now) or Delivered()
        if isinstance(outcome, Delivered):
            self.told.append((self.now, said))
        ends = judge(self.lane, bundle, outcome, self.now, chance=lambda: 0.0)
        self.outbox.settle_all(list(zip(bundle, ends, strict=True)), owner="me")
        self.lane.running -= 1

    def seconds(self) -> list[float]:
        return [(at - AT) / SECOND for at, _ in self.told]

    def sizes(self) -> list[int]:
        return [len(said) for _, said in self.told]

    def last_word(self, name: str) -> Notice | None:
        words = [each for _, said in self.told for each in said if each.id == name]
        return words[-1] if words else None
