"""A simulated plant and the rules in one loop, in virtual time: what the gateways say goes through the wire
format into ``floor.apply``, what is told goes back to the plant's people at once.

No broker, no outlets: the same loop over real ones is ``earlybell simulate --compare``. Eight hours take
seconds, so many seeds can be tried.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from service.domain import floor, questions
from service.domain.events import JournalEntry, Message, PersonAct, SupplyMessage, TimePassed
from service.domain.life import Taken
from service.domain.model import SECOND, Instant, to_datetime
from service.domain.notices import Told
from service.domain.world import World
from service.settings.sections import Settings
from service.wire.native import Address, read_message, read_topic
from simulators.events import Confirmed, Event, InHand, PersonSent
from simulators.faults import chain, clocks_of, faults_of, restarts_of
from simulators.messages import Gateway, rfc3339
from simulators.messages import Message as Said
from simulators.plant import Plant
from simulators.scenario import Scenario
from simulators.tally import Outcome, Tally
from tests.support.story import START

Watch = Callable[["ClosedLoop", str, Event], None]


class ClosedLoop:
    """``watch`` is called after each event of the plant, when all that was said of it has been applied.
    ``journal``: a list there keeps every entry."""

    def __init__(
        self, scenario: Scenario, *, seed: int | None = None, bell: bool = True, watch: Watch | None = None
    ) -> None:
        self.world = World()
        self.plant = Plant(scenario, seed=seed, bell=bell)
        self.tally = Tally.of(scenario)
        self.told: list[Told] = []
        self.journal: list[JournalEntry] | None = None
        self._watch = watch
        self._bell = bell
        self._at: Instant = START
        policy = Settings.model_validate(dict(scenario.service)).policy()
        floor.change_policy(self.world, policy, self._at)
        self._gateways = {
            each.line: Gateway(
                each.line,
                run="loop",
                stamp=self.stamp,
                ahead=clocks_of(scenario.gateways, each),
                silent=scenario.silent,
            )
            for each in scenario.lines
        }
        seeded = scenario.seed if seed is None else seed
        self._first = {each.line: each.stations[0].station for each in scenario.lines}
        places = [(line.line, each.station) for line in scenario.lines for each in line.stations]
        self._restarts = {place: restarts_of(scenario.gateways, seeded, *place) for place in places}
        self._faults = {place: faults_of(scenario.gateways, seeded, *place) for place in places}

    def run(self, hours: float) -> Outcome:
        """So many hours of the plant."""
        end = hours * 3600
        while self.plant.next_at <= end:
            self._pass_time(START + round(self.plant.next_at * SECOND))
            self._take(self.plant.advance(self.plant.next_at))
        return self.tally.outcome(hours)

    def _pass_time(self, until: Instant) -> None:
        """What time alone changes before the next happening."""
        while (due := floor.next_moment(self.world)) is not None and due <= until:
            self._at = max(self._at + 1, due)
            self._tell(self._apply(Address("time", "", None), TimePassed(heard_since=START), self._at))
            if self._at >= until:
                return

    def stamp(self, seconds: float) -> str:
        return rfc3339(to_datetime(START + round(seconds * SECOND)))

    def _take(self, events: list[tuple[str, Event]]) -> None:
        for line, event in events:
            self.tally.see(line, event)
            restarts = self._restarts.get((line, getattr(event, "station", "")))
            for message in self._gateways[line].encode(restarts.befall(event) if restarts else event):
                place = line, message.station or self._first[line]
                for each in chain(self._faults[place], message):
                    self._hear(each)
            if isinstance(event, Confirmed):
                self._confirm(line, event)
            if isinstance(event, PersonSent):
                self._set_out(line, event)
            if self._watch is not None:
                self._watch(self, line, event)

    def _hear(self, message: Said) -> None:
        if not message.payload:
            return
        address = read_topic(message.topic.encode(), "floor")
        event = read_message(address, message.payload)
        self._tell(self._apply(address, event, self._moment(), message.payload))

    def _apply(
        self, address: Address, event: Message, at: Instant, payload: bytes | None = None
    ) -> list[Told]:
        """Into the world and, where one is kept, into the journal."""
        told = floor.apply(self.world, event, line=address.line, station=address.station, at=at)
        if told is not None and self.journal is not None:
            data = msgspec.json.encode(event) if payload is None else payload
            self.journal.append(JournalEntry(at, address.kind, address.subject, data))
        return told or []

    def _moment(self) -> Instant:
        """Each event's own, later than the one before."""
        self._at = max(self._at + 1, START + round(self.plant.now * SECOND))
        return self._at

    def _tell(self, told: list[Told]) -> None:
        for each in told:
            notice = each.notice
            self.told.append(each)
            self.tally.messages += self._bell and each.calls
            if notice.kind == "supply" and notice.state == "open" and self._bell:
                place = str(notice.line), str(notice.station), str(notice.slot)
                self.tally.hear(*place, self.plant.now)
                self._take(self.plant.tell(*place, notice.level))  # type: ignore[arg-type]

    def _confirm(self, line: str, event: Confirmed) -> None:
        """A person's tap on the page."""
        message = SupplyMessage(
            slot=event.slot, change=event.change, quantity=event.quantity, by=event.person
        )
        self._tell(self._apply(Address("supply", line, event.station), message, self._moment()))

    def _set_out(self, line: str, event: PersonSent | InHand) -> None:
        """Who sets out, or has it in hand, says so: takes the notice, where one is open."""
        slot = self.world.station(line, event.station).slots.get(event.slot)
        if not self._bell or slot is None or slot.notice is None or slot.notice.state != "open":
            return
        act = PersonAct(notice=slot.notice.id, action="take", by=event.person)
        try:
            told = self._apply(Address("person", line, event.station, event.slot), act, self._moment())
        except (KeyError, Taken):
            return
        self._tell(told)


def asked(loop: ClosedLoop) -> int:
    """Questions that people were asked."""
    return sum(each.notice.kind == questions.KIND and each.change == "opened" for each in loop.told)
