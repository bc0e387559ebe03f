"""What becomes known of an exchange: the truth always, and what a person says of it at once, late or never.

Where gateways say supplies it is said in a supply message, else by a tap on the page.
"""

from __future__ import annotations

from simulators.agenda import Voice
from simulators.events import Change, Confirmed, Refilled, Supplied, SupplyEnded
from simulators.plan import ConfirmPlan
from simulators.store import Supply
from simulators.streams import Streams


class Telling:
    """Of one station."""

    def __init__(
        self, station: str, plan: ConfirmPlan, agenda: Voice, streams: Streams, *, by_message: bool
    ) -> None:
        self._station = station
        self._plan = plan
        self._agenda = agenda
        self._by_message = by_message
        self._confirms, self._lots = map(streams.of, ("confirms", "lots"))

    def refilled(self, slot: str, change: Change, supply: Supply, quantity: int, person: str) -> None:
        """An operator exchanged or spliced the supply, now."""
        self._tell(slot, change, supply, quantity, person, self._delay())

    def set_up(self, slot: str, supply: Supply, person: str) -> None:
        """Set up before the line runs: the machine asks for every supply, so it is said at once where
        anything is said of supplies."""
        self._tell(slot, "loaded", supply, supply.label, person, 0.0 if self._by_message else None)

    def ended(self, slot: str, supply: Supply, *, kept: bool) -> None:
        self._agenda.say(
            SupplyEnded(
                at=self._agenda.now,
                station=self._station,
                slot=slot,
                kind=supply.part.kind,
                supply=supply.name,
                label=supply.label,
                placed=supply.placed,
                lost=supply.lost,
                left=supply.left,
                short=supply.short,
                unseen=supply.unseen,
                kept=kept,
            )
        )

    def _delay(self) -> float | None:
        """How long until it is confirmed; ``None`` when it never is."""
        drawn = self._confirms.random()
        if drawn < self._plan.at_once:
            return 0.0
        if drawn < self._plan.at_once + self._plan.late:
            return self._confirms.uniform(*self._plan.late_by)
        return None

    def _tell(
        self, slot: str, change: Change, supply: Supply, quantity: int, person: str, delay: float | None
    ) -> None:
        now = self._agenda.now
        refilled = Refilled(
            at=now,
            station=self._station,
            slot=slot,
            person=person,
            supply=supply.name,
            quantity=quantity,
            part=supply.part.part,
            kind=supply.part.kind,
            change=change,
            confirmed_at=None if delay is None else now + delay,
        )
        self._agenda.say(refilled)
        if delay is None:
            return
        moment = now if not delay or self._confirms.random() < self._plan.true_moment else now + delay
        confirmed = self._supplied(refilled, moment, supply.part.trays) if self._by_message else None
        event = confirmed or _confirmed(refilled, moment)
        if delay:
            self._agenda.after(delay, lambda: self._agenda.say(event))
        else:
            self._agenda.say(event)

    def _supplied(self, done: Refilled, moment: float, trays: int) -> Supplied:
        return Supplied(
            at=done.confirmed_at or done.at,
            moment=moment,
            station=done.station,
            slot=done.slot,
            change=done.change,
            kind=done.kind,
            part=done.part,
            lot=f"{self._lots.choice('ABCDEFGH')}{self._lots.randint(10, 99)}",
            supply=done.supply,
            trays=trays,
            quantity=done.quantity,
            by=done.person,
        )


def _confirmed(done: Refilled, moment: float) -> Confirmed:
    return Confirmed(
        at=done.confirmed_at or done.at,
        moment=moment,
        station=done.station,
        slot=done.slot,
        person=done.person,
        quantity=done.quantity,
        part=done.part,
        kind=done.kind,
        change=done.change,
    )
