"""The closed loop with people told as they really are: the configured routes and rosters, reminders and
escalation, and messages that bundle at the real pace, all in virtual time."""

from __future__ import annotations

from service.domain.budget import Life
from service.domain.model import SECOND, Instant, Notice
from service.domain.notices import Told
from service.usecases.budget import readers
from service.usecases.posts import Post, Posts
from simulators.scenario import Scenario
from simulators.tally import Outcome
from tests.support.closed_loop import ClosedLoop, Watch
from tests.support.story import START


class RoutedLoop(ClosedLoop):
    """``posts`` is every message that went to people, ``reads`` who reads an outlet."""

    def __init__(self, scenario: Scenario, *, seed: int | None = None, watch: Watch | None = None) -> None:
        super().__init__(scenario, seed=seed, watch=watch)
        policy = self.world.policy
        self.reads = readers(policy)
        self.outbox = Posts(self.reads)
        self.posts: list[Post] = []
        self.told_at: list[Instant] = []

    def run(self, hours: float) -> Outcome:
        end = hours * 3600
        while (at := self._next_at()) <= end:
            self._pass_time(START + round(at * SECOND))
            self._take(self.plant.advance(at))
            self._post()
        return self.tally.outcome(hours)

    def lives(self) -> list[Life]:
        """Every notice that was told of, from its first word to its end."""
        first: dict[str, Instant] = {}
        over: dict[str, Instant | None] = {}
        for at, told in zip(self.told_at, self.told, strict=True):
            first.setdefault(told.notice.id, at)
            over[told.notice.id] = at if told.notice.state == "closed" else None
        return [Life(source=name, notice=name, since=at, until=over[name]) for name, at in first.items()]

    def _next_at(self) -> float:
        look = self.outbox.next_at()
        waits = float("inf") if look is None else (look - START) / SECOND
        due = self.plant.next_at
        return min(due, max(waits, self.plant.now))

    def _tell(self, told: list[Told]) -> None:
        for each in told:
            self.told.append(each)
            self.told_at.append(self._at)
            self.outbox.put(each, self._at)

    def _post(self) -> None:
        now = max(self._at, START + round(self.plant.now * SECOND))
        for post in self.outbox.send(now):
            self.posts.append(post)
            self.tally.messages += 1
            for notice in post.notices:
                self._read(notice, post.outlet)

    def _read(self, notice: Notice, outlet: str) -> None:
        if notice.kind != "supply" or notice.state != "open":
            return
        place = str(notice.line), str(notice.station), str(notice.slot)
        self.tally.hear(*place, self.plant.now)
        for person in self.reads[outlet]:
            self._take(self.plant.tell(*place, notice.level, person))  # type: ignore[arg-type]
