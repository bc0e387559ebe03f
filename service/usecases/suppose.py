"""A recording gone through once more under other settings: what people would have been told.

What the floor said, what people did to supplies and when is as it was recorded. What they did with a notice
counts where that notice is there under these settings, and a notice that opens later than it was taken is
taken as it opens. Plans are kept anew where the settings say another plan. No clock, no I/O.
"""

from __future__ import annotations

from bisect import insort
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from operator import itemgetter

from service.domain import floor
from service.domain.events import (
    CountMessage,
    JournalEntry,
    Message,
    OutletReport,
    PersonAct,
    PlanKept,
    SupplyMessage,
    TimePassed,
    TowerMessage,
)
from service.domain.life import Taken
from service.domain.model import SECOND, Change, Instant, Level
from service.domain.notices import Told
from service.domain.planning import as_kept, decide, worth
from service.domain.policy import Policy
from service.domain.prospect import look_ahead
from service.domain.routing import hearing
from service.domain.staffing import staff
from service.domain.world import World
from service.usecases.altered import Alteration, Heard
from service.usecases.budget import readers
from service.usecases.emptied import Emptied, Emptyings, notice_of
from service.usecases.fold import begin
from service.usecases.posts import Posts
from service.wire.native import Address

EVERYBODY = "everybody"
"""Who hears where the settings name no outlet that people read."""
PLAN_EVERY: Instant = 300 * SECOND
"""How often a plan is looked at where plans are kept anew; people who go by it look about as often."""
LATE_TAKE = "takes, of notices that opened later or not at all"
LATE_ACT = "quiet spells and closings of notices that weren't there"
NO_OUTLET = "reports of outlets that these settings don't have"
OTHER_PLAN = "plans of the recording, kept anew"


@dataclass(slots=True)
class PlanLook:
    """What a plan came to at one look: its stops within ``panels`` ahead, what they cost, whether hands
    suffice, and whether it took the place of another."""

    panels: int
    stops: int
    minutes: float
    costs: float
    feasible: bool | None
    changed: bool


@dataclass(slots=True)
class Supposed:
    """What came of it. ``told`` with moments; ``heard``: the moments of each person's messages; ``readers``:
    who reads what an outlet sends; ``left_out``: how much of the recording has no place here, by reason."""

    policy: Policy
    told: list[tuple[Instant, Told]] = field(default_factory=list)
    emptied: list[Emptied] = field(default_factory=list)
    readers: Mapping[str, list[str]] = field(default_factory=dict)
    heard: dict[str, list[Instant]] = field(default_factory=dict)
    posts: int = 0
    plans: list[PlanLook] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)


def suppose(heard: Heard, alteration: Alteration, *, plans: bool = False) -> Supposed:
    """Go through the recording under the altered settings; with ``plans`` each line's plan is kept anew."""
    run = _Run(heard, alteration, plans)
    for entry, address, message in heard.entries:
        run.step(entry, address, message)
    return run.finish()


class _Run:
    def __init__(self, heard: Heard, alteration: Alteration, plans: bool) -> None:
        self._alteration = alteration
        start = heard.begin()
        self._world = World() if start is None else begin(start)
        self._at = 0 if start is None else start.at
        self._next: Instant | None = None
        self._takes: dict[str, tuple[Address, PersonAct]] = {}
        self._plan_at = heard.first + PLAN_EVERY if plans else None
        self.supposed = Supposed(policy=self._world.policy)
        self._emptyings = Emptyings(self._world)
        self._outbox = Outbox(self.supposed)
        self._settle(alteration.of(self._world.policy), self._at)

    def step(self, entry: JournalEntry, address: Address, message: Message | Policy) -> None:
        self._pass_time(entry.at)
        at = self._at = max(self._at + 1, entry.at)
        if isinstance(message, Policy):
            self._settle(self._alteration.of(message), at)
            return
        if self._is_left_out(message):
            return
        ended = (
            self._emptyings.before_supply(address.line, str(address.station), message, at)
            if isinstance(message, SupplyMessage)
            else None
        )
        told = self._apply(address, message, at, entry.retained)
        found = [] if ended is None else [ended]
        if isinstance(message, CountMessage):
            found += self._emptyings.seen_refilled(address.line, str(address.station), message.slots, at)
        elif isinstance(message, TowerMessage):
            self._emptyings.signals(address.line, str(address.station))
        for each in found:
            self._outbox.project(each, self._world.policy)
        if told or not isinstance(message, CountMessage | TowerMessage) or self._world.aging:
            self._next = floor.next_moment(self._world)
        if self._takes:
            self._take_late()

    def finish(self) -> Supposed:
        self._outbox.run(self._at)
        self.supposed.emptied = self._emptyings.found
        if self._takes:
            self.supposed.left_out[LATE_TAKE] += len(self._takes)
        return self.supposed

    # One event

    def _apply(
        self, address: Address, message: Message, at: Instant, retained: bool = False
    ) -> list[Told] | None:
        try:
            told = floor.apply(
                self._world, message, line=address.line, station=address.station, at=at, retained=retained
            )
        except (KeyError, Taken):
            if isinstance(message, PersonAct):
                self._wait_for(address, message)
            return None
        self._tell(told or [], at)
        return told

    def _tell(self, told: Iterable[Told], at: Instant) -> None:
        for each in told:
            self.supposed.told.append((at, each))
            self._emptyings.hear(each, at)
            self._outbox.put(each, at)

    def _settle(self, policy: Policy, at: Instant) -> None:
        if policy != self._world.policy:
            self._tell(floor.change_policy(self._world, policy, at), at)
        self.supposed.policy = policy
        self._outbox.settle(policy)
        self._next = floor.next_moment(self._world)

    def _is_left_out(self, message: Message) -> bool:
        if isinstance(message, OutletReport) and message.outlet not in self._world.policy.outlets:
            self.supposed.left_out[NO_OUTLET] += 1
            return True
        if isinstance(message, PlanKept) and self._plan_at is not None:
            self.supposed.left_out[OTHER_PLAN] += 1
            return True
        return False

    # What people did with notices

    def _wait_for(self, address: Address, act: PersonAct) -> None:
        """A take waits for its notice; anything else is about what isn't there."""
        if act.action == "take" and not self._is_over(act.notice):
            self._takes[act.notice] = address, act
        else:
            self.supposed.left_out[LATE_TAKE if act.action == "take" else LATE_ACT] += 1

    def _is_over(self, notice: str) -> bool:
        """It is there already, and another has it, or it is closed."""
        return notice in self._world.notices or notice in self._world.standing

    def _take_late(self) -> None:
        for notice in [each for each in self._takes if each in self._world.notices]:
            address, act = self._takes.pop(notice)
            self._at += 1
            try:
                told = floor.apply(self._world, act, line=address.line, station=address.station, at=self._at)
            except (KeyError, Taken):
                self.supposed.left_out[LATE_TAKE] += 1
                continue
            self._tell(told or [], self._at)

    # What time alone changes

    def _pass_time(self, until: Instant) -> None:
        while self._next is not None and self._next < until:
            self._at = max(self._at + 1, self._next)
            self._outbox.run(self._at)
            self._apply(Address("time", "", None), TimePassed(), self._at)
            self._next = floor.next_moment(self._world)
        while self._plan_at is not None and self._plan_at < until:
            self._at = max(self._at + 1, self._plan_at)
            self._plan()
            self._plan_at += PLAN_EVERY
        self._outbox.run(until)

    def _plan(self) -> None:
        for line in sorted(self._world.lines):
            prospect = look_ahead(self._world, line, self._at)
            kept = decide(prospect)
            stops = as_kept(prospect)
            own = [stop for stop in stops if stop.rest is None]
            if kept is not None:
                self._apply(Address("plan", line, None), kept, self._at)
            self.supposed.plans.append(
                PlanLook(
                    panels=prospect.panels,
                    stops=len(own),
                    minutes=prospect.rules.stop_minutes * len(own),
                    costs=worth(prospect, stops),
                    feasible=staff(prospect, stops).feasible,
                    changed=kept is not None,
                )
            )


class Outbox:
    """What is told goes out as outlets that bundle would send it; what is projected when it would come."""

    def __init__(self, supposed: Supposed) -> None:
        self._supposed = supposed
        self._posts = Posts(())
        self._later: list[tuple[Instant, Told]] = []

    def settle(self, policy: Policy) -> None:
        """Other people and outlets from now on; what waits for those before is as good as sent."""
        reads = readers(policy) or {EVERYBODY: [EVERYBODY]}
        if reads == self._supposed.readers:
            return
        self._supposed.readers = reads
        for people in reads.values():
            for who in people:
                self._supposed.heard.setdefault(who, [])
        self._posts = Posts(reads)

    def put(self, told: Told, at: Instant) -> None:
        self._posts.put(self._addressed(told), at)

    def _addressed(self, told: Told) -> Told:
        if EVERYBODY not in self._supposed.readers:
            return told
        return Told(told.notice, told.change, told.calls, (EVERYBODY,) if told.calls else ())

    def project(self, ended: Emptied, policy: Policy) -> None:
        """A warning that the supply didn't live to see is a message all the same, and so is its end."""
        if not ended.words or not ended.words[0].projected:
            return
        first, level = ended.words[0], Level(ended.words[0].level)
        opened = Told(notice_of(ended, level, first.at), Change.OPENED, outlets=first.outlets)
        over = notice_of(ended, level, ended.end, closed=True)
        hears = hearing(policy, over, ended.end, calls=False).outlets
        closed = Told(over, Change.CLOSED, calls=False, outlets=hears)
        for at, told in ((first.at, opened), (ended.end, closed)):
            insort(self._later, (at, self._addressed(told)), key=itemgetter(0))

    def run(self, until: Instant) -> None:
        """All that goes out by then."""
        while True:
            look = self._posts.next_at()
            later = self._later[0][0] if self._later else None
            due = [each for each in (look, later) if each is not None and each <= until]
            if not due:
                return
            now = min(due)
            while self._later and self._later[0][0] <= now:
                at, told = self._later.pop(0)
                self._posts.put(told, at)
            for post in self._posts.send(now):
                self._supposed.posts += 1
                for who in self._supposed.readers.get(post.outlet, ()):
                    self._supposed.heard[who].append(post.at)
