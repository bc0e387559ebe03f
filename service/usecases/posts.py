"""What people would have been sent, and when: the outbox and the delivery loop in virtual time.

What an outlet may send when is the delivery loop's own ``Lane``; what shares a message is its ``messages``.
A message takes no time to arrive; no outlet ever fails.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from service.domain.model import SECOND, Change, Instant, Level, Notice
from service.domain.notices import Told
from service.domain.traffic import Pace, pace_for_people
from service.ports import Delivered, Delivery, Failed
from service.usecases.deliver.bundling import messages
from service.usecases.deliver.lane import Lane
from service.usecases.deliver.telling import is_moot, telling

LOOK = SECOND
"""While something waits the delivery loop looks at least so often."""


@dataclass(slots=True)
class Chat:
    """An outlet that people read, as far as its lane asks of it."""

    name: str
    pace: Pace = field(default_factory=pace_for_people)
    bundles: bool = True

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        raise NotImplementedError

    async def close(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """One message to one outlet."""

    at: Instant
    outlet: str
    notices: tuple[Notice, ...]


class Posts:
    """The outbox and the delivery loop, for outlets that bundle."""

    def __init__(self, outlets: Iterable[str]) -> None:
        self._put_in = 0
        self.waits: list[float] = []
        """Seconds from each change to the message that told it."""
        self._lanes = {name: Lane(name, Chat(name)) for name in outlets}
        self._waiting: dict[str, list[Delivery]] = defaultdict(list)
        self._latest: dict[str, Notice] = {}
        self._next_look: Instant | None = None

    def put(self, told: Told, at: Instant) -> None:
        """A committed change, for those outlets here that are to tell it."""
        notice = told.notice
        self._latest[notice.id] = notice
        for outlet in (name for name in told.outlets or () if name in self._lanes):
            self._put_in += 1
            self._waiting[outlet].append(
                Delivery(
                    id=self._put_in,
                    key=str(self._put_in),
                    outlet=outlet,
                    conversation=f"{notice.id}/{outlet}",
                    change=told.change,
                    notice=notice,
                    latest=None,
                    attempts=1,
                    created_at=at,
                    claimed_at=at,
                )
            )
            self._next_look = at

    def next_at(self) -> Instant | None:
        return self._next_look

    def send(self, now: Instant) -> list[Post]:
        """All that may go out by now."""
        if self._next_look is None or now < self._next_look:
            return []
        waiting = sorted(outlet for outlet, rows in self._waiting.items() if rows)
        posts = [post for outlet in waiting for post in self._send(self._lanes[outlet], now)]
        self._next_look = now + LOOK if any(self._waiting.values()) else None
        return posts

    def _send(self, lane: Lane, now: Instant) -> Iterator[Post]:
        while self._waiting[lane.name] and (bundles := self._next_bundles(lane, now)):
            for bundle in bundles:
                lane.begins(now)
                lane.delivered([each.conversation for each in bundle], now)
                lane.running -= 1
                self.waits += [(now - each.created_at) / SECOND for each in bundle]
                tells = [telling(each, bundles=True) for each in bundle]
                self._settle(lane.name, {tell.notice.id: tell.covers(bundles=True) for tell in tells})
                yield Post(at=now, outlet=lane.name, notices=tuple(tell.notice for tell in tells))

    def _next_bundles(self, lane: Lane, now: Instant) -> list[list[Delivery]]:
        for wish in lane.wishes(now):
            heads = list(self._heads(lane.name, now))
            if not heads or (wish.pressing and not any(map(_presses, heads))):
                continue
            moot = [each for each in heads if is_moot(each)]
            self._settle(lane.name, {each.notice.id: _version_over(each) for each in moot})
            return messages([each for each in heads if each not in moot], at_most=wish.messages)
        return []

    def _heads(self, outlet: str, now: Instant) -> Iterator[Delivery]:
        """The first that waits of each conversation, with what is true by now."""
        seen = set()
        for each in self._waiting[outlet]:
            if each.conversation not in seen:
                seen.add(each.conversation)
                latest = self._latest[each.notice.id]
                newer = latest if latest.version > each.notice.version else None
                yield _claimed(each, newer, now)

    def _settle(self, outlet: str, told: dict[str, int]) -> None:
        self._waiting[outlet] = [
            each for each in self._waiting[outlet] if each.notice.version > told.get(each.notice.id, -1)
        ]


def _claimed(each: Delivery, latest: Notice | None, now: Instant) -> Delivery:
    return replace(each, latest=latest, claimed_at=now)


def _presses(each: Delivery) -> bool:
    notice = each.latest or each.notice
    return notice.state == "open" and Level(notice.level).rank >= Level.URGENT.rank


def _version_over(each: Delivery) -> int:
    """What is moot ends with all that came of it; a reminder alone."""
    whole = each.change is Change.OPENED and each.latest is not None
    return each.latest.version if whole and each.latest else each.notice.version
