"""A simulated shift, said in a format and heard by the rules, in virtual time: what is booked in the end, and
what people were told at which panel.

The way is that of the program: a dialect's messages, with faults on their way, into ``Ingest`` with the
translator that a ``[[source]]`` of the settings makes. Nobody goes by what is told, so the shift is the same
in every format.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import msgspec

from service.domain import floor
from service.domain.events import TimePassed
from service.domain.model import SECOND, Instant, to_datetime
from service.domain.world import World
from service.settings.sections import Settings
from service.usecases.batch import Ask, Inbound, Item, Turn
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.usecases.on_trial import Unkept
from service.wire.gateway import Translator
from service.wire.native import Address
from simulators.dialects import SPEAKERS
from simulators.dialects.board import Left
from simulators.events import Counted, Event, OrderSet, RecipeSet, Supplied, TowerShown
from simulators.faults import Duplicates, chain, clocks_of, faults_of, flush, restarts_of
from simulators.messages import Message, Speaker, rfc3339
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.support.story import START

Shift = Sequence[tuple[str, Event]]
Place = tuple[str, str]
Slot = tuple[str, str, str]


class Told(NamedTuple):
    """What was said of a supply notice, the panels that its station had made by then, and the second of the
    shift."""

    change: str
    level: str
    panels: int
    second: float


@dataclass(slots=True)
class Outcome:
    book: dict[Slot, int | None] = field(default_factory=dict)
    told: dict[Slot, list[Told]] = field(default_factory=lambda: defaultdict(list))
    panels: dict[Place, int] = field(default_factory=dict)
    refused: Counter[str] = field(default_factory=Counter)
    messages: int = 0


def shift_of(scenario: Scenario, seed: int, hours: float) -> Shift:
    """With a last count of every slot, as a machine says when its shift ends."""
    end = hours * 3600
    events = Plant(scenario, seed=seed, bell=False).advance(end)
    last: dict[Place, Counted] = {}
    for line, event in events:
        if isinstance(event, Counted):
            before = last.get((line, event.station), event)
            last[line, event.station] = replace(event, at=end, slots={**before.slots, **event.slots})
    return [*events, *((line, each) for (line, _), each in last.items())]


def hear(
    scenario: Scenario, shift: Shift, speak: str, translator: Translator | None, *, seed: int
) -> Outcome:
    """``translator``: of what isn't said in our own format."""
    return _Hearing(scenario, speak, translator, seed).run(shift)


class _Hearing:
    def __init__(self, scenario: Scenario, speak: str, translator: Translator | None, seed: int) -> None:
        self.outcome = Outcome()
        self._now: Instant = START
        self._second = 0.0
        self._source = "" if translator is None else speak
        self._made: Counter[Place] = Counter()
        self._hurt: dict[Place, bool] = defaultdict(bool)
        """Whether something of a station's last count was lost or is late."""
        self._ledger = Unkept()
        self._ingest = Ingest(
            world=World(policy=Settings.model_validate(dict(scenario.service)).policy()),
            ledger=self._ledger,
            committed={},
            position=0,
            last_at=START - 1,
            clock=lambda: self._now,
            root="floor",
            tell=False,
            sources=None if translator is None else Gateways({speak: translator}),
        )
        self._speakers: dict[str, Speaker] = {
            each.line: SPEAKERS[speak](
                each.line,
                run="shift",
                stamp=_stamp,
                ahead=clocks_of(scenario.gateways, each),
                silent=scenario.silent,
            )
            for each in scenario.lines
        }
        self._first = {each.line: each.stations[0].station for each in scenario.lines}
        self._places = [(line.line, each.station) for line in scenario.lines for each in line.stations]
        self._restarts = {place: restarts_of(scenario.gateways, seed, *place) for place in self._places}
        self._faults = {place: faults_of(scenario.gateways, seed, *place) for place in self._places}

    def run(self, shift: Shift) -> Outcome:
        """Restarts and repeats are anywhere between the shift's first message and its last. What is lost or
        late is never two counts of a station in a row, nor the last before an exchange or the first after
        it: how much of a total belongs to the supply before, no format can tell without them."""
        self._connect()
        end = shift[-1][1].at
        spared = _beside_exchanges(shift)
        for number, (line, event) in enumerate(shift):
            self._pass_to(event.at)
            if isinstance(event, Counted):
                self._made[line, event.station] = event.panels
            restarts = self._restarts.get((line, getattr(event, "station", "")))
            known = restarts.befall(event) if restarts else event
            calm = number in spared or not 0 < event.at < end
            self._say(line, self._speakers[line].encode(known), calm=calm)
        self._connect()
        self._pass_to(end + 60)
        self._look()
        return self.outcome

    def _connect(self) -> None:
        """Also at the end: who says values says them all then, and none that was lost is missing for good."""
        if self._source:
            self._take([Turn(self._source)])
        for line, station in self._places:
            speaker = self._speakers[line]
            if station == self._first[line] or not speaker.by_line:
                speaker.will(station)
                self._deliver(line, speaker.greet(station, self._second))

    def _pass_to(self, second: float) -> None:
        """What gateways say of themselves until then, and what time alone changes."""
        while (due := self._next_tick()) is not None and due <= second:
            self._let_time(due)
            for line, speaker in self._speakers.items():
                self._say(line, speaker.tick(due), calm=False)
        self._let_time(second)

    def _next_tick(self) -> float | None:
        moments = (speaker.next_moment() for speaker in self._speakers.values())
        return min((each for each in moments if each is not None), default=None)

    def _let_time(self, second: float) -> None:
        """Each moment at which something changes by itself, once."""
        until = START + round(second * SECOND)
        done: Instant | None = None
        while (due := self._next_moment()) is not None and due <= until and due != done:
            self._now = max(self._now, due)
            self._second = (self._now - START) / SECOND
            if floor.next_moment(self._ingest.world) == due:
                passed = TimePassed(heard_since=START)
                self._take([Ask(Address("time", "", None), passed, msgspec.json.encode(passed), Future())])
            self._take([Turn()])
            done = due
        self._now = max(self._now, until)
        self._second = second

    def _next_moment(self) -> Instant | None:
        moments = floor.next_moment(self._ingest.world), self._ingest.sources.next_moment()
        return min((each for each in moments if each is not None), default=None)

    def _say(self, line: str, messages: Sequence[Message], *, calm: bool) -> None:
        hurt: dict[Place, bool] = {}
        for message in messages:
            place = line, message.station or self._first[line]
            faults = self._faults[place]
            if calm:
                repeats = [each for each in faults if isinstance(each, Duplicates)]
                passing = [*flush(faults), *chain(repeats, message)]
            elif message.kind == "count" and self._hurt[place]:
                passing = [message, *flush(faults)]
            else:
                passing = chain(faults, message)
            if message.kind == "count":
                hurt[place] = hurt.get(place, False) or message not in passing
            self._deliver(line, passing)
        self._hurt.update(hurt)

    def _deliver(self, line: str, messages: Iterable[Message]) -> None:
        for message in messages:
            self.outcome.messages += 1
            self._take([Inbound(message.topic.encode(), message.payload, False, (0, 0), self._source)])

    def _take(self, items: Sequence[Item]) -> None:
        for each in self._ingest.take(items).told:
            notice = each.notice
            if notice.kind == "supply":
                place = str(notice.line), str(notice.station)
                self.outcome.told[*place, str(notice.slot)].append(
                    Told(each.change, notice.level, self._made[place], self._second)
                )
        for _, requests in self._ingest.sources.take_requests():
            for request in requests:
                self._command(request.topic, request.payload)

    def _command(self, topic: str, payload: bytes) -> None:
        for line, speaker in self._speakers.items():
            if topic == speaker.commands():
                self._deliver(line, speaker.obey(topic, payload, self._second))

    def _look(self) -> None:
        self.outcome.refused = self._ledger.refused
        for (line, name), station in self._ingest.world.stations.items():
            self.outcome.panels[line, name] = station.progress
            for slot, state in station.slots.items():
                self.outcome.book[line, name, slot] = state.book


def _beside_exchanges(shift: Shift) -> set[int]:
    """Where in the shift each exchange is, the first count of its slot after it, and the last before it in
    which parts were placed, and lost: a format may say each by itself."""
    beside: set[int] = set()
    moved: dict[Slot, dict[int, tuple[int, int]]] = defaultdict(dict)
    exchanged: set[Slot] = set()
    for number, (line, event) in enumerate(shift):
        if isinstance(event, Supplied):
            slot = line, event.station, event.slot
            beside |= {number, *(last for last, _ in moved[slot].values())}
            exchanged.add(slot)
        elif isinstance(event, Counted):
            for name, totals in event.slots.items():
                slot = line, event.station, name
                for which, total in enumerate(totals):
                    if moved[slot].get(which, (0, -1))[1] != total:
                        moved[slot][which] = number, total
                if slot in exchanged:
                    exchanged.remove(slot)
                    beside.add(number)
    return beside


def _stamp(second: float) -> str:
    return rfc3339(to_datetime(START + round(second * SECOND)))


Lack = Literal[
    "orders",
    "queued orders",
    "recipes",
    "announced recipes",
    "alternates",
    "parts of recipes",
    "splices",
    "slots of towers",
]
"""What a format can't say, or the gateway that speaks it doesn't."""


def without(shift: Shift, lacks: Collection[Lack]) -> Shift:
    """The shift as our own format would tell it, could it say no more than one that lacks these."""
    left: dict[str, Left] = defaultdict(Left)
    told = ((line, _reduced(event, lacks, left[line])) for line, event in shift)
    return [(line, event) for line, event in told if event is not None]


def _reduced(event: Event, lacks: Collection[Lack], left: Left) -> Event | None:
    match event:
        case OrderSet():
            queued = event.state == "queued" and "queued orders" in lacks
            return None if queued or "orders" in lacks else event
        case RecipeSet():
            announced = not event.active and "announced recipes" in lacks
            if announced or "recipes" in lacks:
                return None
            if "parts of recipes" in lacks:
                event = replace(event, parts={}, boards_per_panel=1)
            return replace(event, alternates=()) if "alternates" in lacks else event
        case Counted():
            left.count(event)
        case Supplied():
            quantity = left.supply(event)
            return replace(event, change="loaded", quantity=quantity) if "splices" in lacks else event
        case TowerShown() if "slots of towers" in lacks:
            return replace(event, tower=replace(event.tower, slots=()))
    return event
