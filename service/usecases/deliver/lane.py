"""One outlet's share of the delivery loop: what it may take now, and whether it counts as failing.

A receiver that hangs, is down or is slow fills its own lane and no other. Knows no store and no event loop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

from service.domain import traffic
from service.domain.events import OutletReport
from service.domain.model import SECOND, Instant
from service.domain.traffic import NOTHING_YET, PROBE_EVERY, Pace, Traffic
from service.ports import Failed, Outlet

AT_ONCE = 4
"""Sends under way to one outlet."""
FAILS_FOR = 60 * SECOND
"""A delivery that failed for so long is trouble that others should hear of."""
CALM = 60 * SECOND
"""The trouble is over when all that failed got through and nothing failed for so long; longer than the
longest wait between two tries, so an outlet that comes and goes is one trouble."""
ANY_PACE = Pace(rate=1000.0, burst=1000)


class Room(NamedTuple):
    """How many rows a lane takes now; with ``since`` only those never tried that were enqueued since then."""

    rows: int
    since: Instant | None = None


NO_ROOM = Room(0)
MOST_TOLD = 1000
"""Notices in one message; the others go with the next."""
LOOK_EVERY = SECOND // 5
"""While there is no token the lane looks no more often for something that presses."""


class Wish(NamedTuple):
    """What the next message of a lane that bundles may tell; ``tried`` and ``pressing`` as in the outbox."""

    rows: int
    tried: bool | None
    pressing: bool
    messages: int = 1


@dataclass(slots=True)
class Lane:
    """Without an ``outlet`` the configuration no longer has it. ``told``: others were told of its trouble.
    ``stuck`` are the conversations whose last attempt failed, with the moment of the first failure.

    ``doubt``: a message didn't get through. Then what was tried before goes apart from what is new, until all
    of it got through; and so many at a time, because it may be refused for what is in it.
    """

    name: str
    outlet: Outlet | None
    told: bool = False
    traffic: Traffic = NOTHING_YET
    running: int = 0
    disabled: str | None = None
    reason: str = ""
    stuck: dict[str, Instant] = field(default_factory=dict)
    failed_at: Instant = 0
    began_at: Instant = 0
    looked_at: Instant = 0
    put_off: bool = False
    doubt: int | None = None
    old_first: bool = False

    @property
    def pace(self) -> Pace:
        return ANY_PACE if self.outlet is None else self.outlet.pace

    @property
    def bundles(self) -> bool:
        return self.outlet is not None and self.outlet.bundles

    def resume(self, kept: Traffic, now: Instant) -> None:
        """Go on where an earlier life left off."""
        self.traffic = traffic.believed(kept, self.pace, now)
        self.failed_at = now
        if kept.failing_since is not None:
            self.stuck[""] = min(kept.failing_since, now)

    def room(self, now: Instant) -> Room:
        """What may be claimed for it now; what is claimed is sent at once."""
        if self.disabled is not None:
            return Room(64)  # each ends without a send
        free = AT_ONCE - self.running
        if free <= 0 or now < self.traffic.paused_until:
            return NO_ROOM
        if self.traffic.half_open:
            return self._room_for_a_probe(now)
        if late := traffic.tokens(self.traffic, self.pace, now):
            return Room(min(free, late))
        fresh = traffic.tokens(self.traffic, self.pace, now, borrowed=self.pace.fresh)
        return Room(min(free, fresh), now - traffic.FRESH)

    def wishes(self, now: Instant) -> list[Wish]:
        """What a lane that bundles may claim now for its next message: the first of these that there is."""
        self.put_off = False
        if self.running >= AT_ONCE or now < self.traffic.paused_until:
            return []
        patient = now >= self.began_at + traffic.patience(self.pace)
        borrowed = self.pace.pressing if patient else 0
        tokens = traffic.tokens(self.traffic, self.pace, now, borrowed=borrowed)
        if tokens and now >= self.began_at + traffic.apart(self.traffic, self.pace, now):
            at_most = max(1, min(tokens // 2, AT_ONCE - self.running))
            return self._wishes(pressing=False, messages=at_most, spare=tokens > 1)
        if not self._may_press(now):
            return []
        if now < self.looked_at + LOOK_EVERY:
            self.put_off = True
            return []
        self.looked_at = now
        return self._wishes(pressing=True)

    def _may_press(self, now: Instant) -> bool:
        borrowed = traffic.tokens(self.traffic, self.pace, now, borrowed=self.pace.pressing)
        apart = traffic.apart(self.traffic, self.pace, now, pressing=True)
        return borrowed > 0 and now >= self.began_at + apart

    def _wishes(self, *, pressing: bool, messages: int = 1, spare: bool = True) -> list[Wish]:
        if self.doubt is None:
            return [Wish(MOST_TOLD, None, pressing, messages)]
        new, old = Wish(MOST_TOLD, False, pressing, messages), Wish(self.doubt, True, pressing)
        if not spare:
            return [new]  # in parts it takes many messages; the last is kept for what nobody knows yet
        return [old, new] if self.old_first else [new, old]

    def _room_for_a_probe(self, now: Instant) -> Room:
        if self.bundles and not traffic.tokens(self.traffic, self.pace, now, borrowed=self.pace.pressing):
            return NO_ROOM
        if not self.running and now >= self.traffic.open_until:
            return Room(1)
        if now >= self.began_at + PROBE_EVERY:
            return Room(1, now - traffic.FRESH)
        return NO_ROOM

    def opens_at(self, now: Instant) -> Instant:
        """When there may be room again for what is due, if nothing ends before; in the past: there is now."""
        if self.disabled is not None or self.running >= AT_ONCE:
            return now
        if self.put_off:
            return self.looked_at + LOOK_EVERY
        token = traffic.next_token_at(self.traffic, self.pace)
        if self.bundles:
            token = max(token, self.began_at + traffic.apart(self.traffic, self.pace, now))
        return max(self.traffic.paused_until, self.traffic.open_until, token)

    def begins(self, now: Instant) -> None:
        """One message."""
        self.running += 1
        if self.disabled is None:
            self.began_at = now
            self.traffic = traffic.sent(self.traffic, self.pace, now)

    def delivered(self, conversations: Sequence[str], now: Instant) -> None:
        if self.traffic.half_open:
            self.doubt = None  # it was the outlet, not what it was told
        self.traffic = traffic.succeeded(self.traffic, now)
        for conversation in (*conversations, ""):
            self.gave_up(conversation)

    def failed(self, conversations: Sequence[str], outcome: Failed, now: Instant, *, chance: float) -> None:
        self.traffic = traffic.failed(
            self.traffic, now, reason=outcome.reason, chance=chance, retry_after=outcome.retry_after
        )
        if self.bundles and not outcome.partly:
            self.traffic = traffic.given_back(self.traffic, self.pace)
        if self.bundles:
            self._doubt(len(conversations), halve=not outcome.away)
        for conversation in conversations:
            self.stuck.setdefault(conversation, now)
        self.failed_at, self.reason = now, outcome.reason
        if outcome.final:
            self.disabled = self.disabled or outcome.reason

    def _doubt(self, told: int, *, halve: bool) -> None:
        """Half as many the next time; one that is refused alone says nothing of how many may go together."""
        if halve and told > 1:
            self.doubt = told // 2
        elif self.doubt is None:
            self.doubt = MOST_TOLD

    def gave_up(self, conversation: str) -> None:
        self.stuck.pop(conversation, None)
        if not self.stuck:
            self.doubt = None

    def revive(self) -> None:
        """A person wants something sent again: no waiting for the breaker, and gone is no longer gone."""
        self.disabled = None
        self.traffic = replace(self.traffic, open_until=0, paused_until=0)

    def prove(self, now: Instant) -> None:
        """It took a message: as well as any that was delivered, and whatever was refused for good before."""
        self.revive()
        self.delivered((), now)

    def turns_to_trouble(self, now: Instant) -> bool:
        if self.told:
            return False
        oldest = next(iter(self.stuck.values()), now)  # in the order in which they began
        return self.disabled is not None or now - oldest >= FAILS_FOR

    def trouble(self) -> OutletReport:
        state: Literal["failing", "gone"] = "failing" if self.disabled is None else "gone"
        return OutletReport(outlet=self.name, state=state, reason=self.reason or None)

    def turns_well(self, now: Instant) -> bool:
        well = self.traffic.failures == 0 and not self.stuck and self.disabled is None
        return self.told and well and now - self.failed_at >= CALM
