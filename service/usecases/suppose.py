"""A recording gone through once more under other settings: what people would have been told.

What the floor said, what people did to supplies and when is as it was recorded. What they did with a notice
counts where that notice is there under these settings, and a notice that opens later than it was taken is
taken as it opens. Plans are kept anew where the settings say another plan. No clock, no I/O.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

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
from service.domain.model import SECOND, Instant
from service.domain.notices import Told
from service.domain.planning import as_kept, decide, worth
from service.domain.policy import Policy
from service.domain.prospect import look_ahead
from service.domain.said import Said
from service.domain.staffing import staff
from service.domain.world import World
from service.usecases.altered import Alteration, Heard
from service.usecases.emptied import Emptied, Emptyings
from service.usecases.fold import begin
from service.wire.native import Address

PLAN_EVERY: Instant = 300 * SECOND
"""How often a plan is looked at where plans are kept anew; people who go by it look about as often."""
LATE_TAKE = Said("takes, of notices that opened later or not at all").text
LATE_ACT = Said("quiet spells and closings of notices that weren't there").text
NO_OUTLET = Said("reports of outlets that these settings don't have").text
OTHER_PLAN = Said("plans of the recording, kept anew").text


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
    """What came of it: ``policies`` from their moments on, the changes of notices that were ``told``, the
    supplies that came to their end; ``left_out``: how much of the recording has no place here, by reason."""

    policies: list[tuple[Instant, Policy]] = field(default_factory=list)
    told: list[tuple[Instant, Told]] = field(default_factory=list)
    emptied: list[Emptied] = field(default_factory=list)
    plans: list[PlanLook] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)

    @property
    def policy(self) -> Policy:
        """The settings at the end."""
        return self.policies[-1][1]


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
        self.supposed = Supposed()
        self._emptyings = Emptyings(self._world)
        self._settle(alteration.of(self._world.policy), self._at)

    def step(self, entry: JournalEntry, address: Address, message: Message | Policy) -> None:
        self._pass_time(entry.at)
        at = self._at = max(self._at + 1, entry.at)
        if isinstance(message, Policy):
            self._settle(self._alteration.of(message), at)
            return
        if self._is_left_out(message):
            return
        if isinstance(message, SupplyMessage):
            self._emptyings.before_supply(address.line, str(address.station), message, at)
        told = self._apply(address, message, at, entry.retained)
        if isinstance(message, CountMessage):
            self._emptyings.seen_refilled(address.line, str(address.station), message.slots, at)
        elif isinstance(message, TowerMessage):
            self._emptyings.signals(address.line, str(address.station))
        if told or not isinstance(message, CountMessage | TowerMessage) or self._world.aging:
            self._next = floor.next_moment(self._world)
        if self._takes:
            self._take_late()

    def finish(self) -> Supposed:
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
            if not isinstance(message, PersonAct):
                raise
            self._wait_for(address, message)
            return None
        self._tell(told or [], at)
        return told

    def _tell(self, told: Iterable[Told], at: Instant) -> None:
        for each in told:
            self.supposed.told.append((at, each))
            self._emptyings.hear(each, at)

    def _settle(self, policy: Policy, at: Instant) -> None:
        if policy != self._world.policy:
            self._tell(floor.change_policy(self._world, policy, at), at)
        self.supposed.policies.append((at, policy))
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
            self._apply(Address("time", "", None), TimePassed(), self._at)
            self._next = floor.next_moment(self._world)
        while self._plan_at is not None and self._plan_at < until:
            self._at = max(self._at + 1, self._plan_at)
            self._plan()
            self._plan_at += PLAN_EVERY

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
