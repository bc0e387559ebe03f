"""A simulated shift as a broker hears it, in any of the simulators' formats, with what really happened."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from service.domain.events import CountMessage
from service.domain.model import SECOND, Instant, to_datetime
from service.wire.gateway import Native, Translator
from service.wire.native import Misfit, read_message
from simulators.dialects import SPEAKERS
from simulators.events import Counted, Event
from simulators.messages import Message, Speaker, rfc3339
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.support.story import START


class Said(NamedTuple):
    at: Instant
    topic: str
    payload: bytes


class Sums:
    """Totals of sessions, each from its first, and differences, added up."""

    def __init__(self) -> None:
        self.of: Counter[tuple[str, ...]] = Counter()
        self._last: dict[tuple[object, ...], int] = {}

    def take(self, place: tuple[str, ...], key: tuple[bool, str | None], number: int | None) -> None:
        if number is None:
            return
        total, session = key
        before = self._last.get((place, session), number) if total else 0
        self._last[place, session] = number
        self.of[place] += number - before


@dataclass(slots=True)
class Told:
    """``kinds``: of messages, and how many."""

    kinds: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    placed: Sums = field(default_factory=Sums)
    lost: Sums = field(default_factory=Sums)
    panels: Sums = field(default_factory=Sums)


@dataclass(slots=True)
class Shift:
    """``placed``, ``lost``: by line, station and slot; ``panels`` by line and station: of the whole shift."""

    said: list[Said] = field(default_factory=list)
    placed: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    lost: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    panels: Counter[tuple[str, str]] = field(default_factory=Counter)


def spoken(scenario: Scenario, *, dialect: str, hours: float, root: str = "floor") -> Shift:
    """Everything that the gateways say in so many hours, nothing of it lost."""
    plant = Plant(scenario, bell=True)
    speakers = {
        each.line: SPEAKERS[dialect](each.line, run="shift", stamp=_stamp, root=root)
        for each in scenario.lines
    }
    shift = Shift()
    for planned in scenario.lines:
        for station in planned.stations:
            speakers[planned.line].will(station.station)
            _say(shift, 0.0, speakers[planned.line].greet(station.station, 0.0))
    while plant.next_at <= hours * 3600:
        at = plant.next_at
        _pass_time(shift, speakers.values(), at)
        for line, event in plant.advance(at):
            _note(shift, line, event)
            _say(shift, at, speakers[line].encode(event))
    return shift


def _pass_time(shift: Shift, speakers: Iterable[Speaker], to: float) -> None:
    for each in speakers:
        while (moment := each.next_moment()) is not None and moment <= to:
            _say(shift, moment, each.tick(moment))


def told(shift: Shift, translator: Translator) -> Told:
    """What a source makes of it, in the words of our own contract."""
    heard = Told()
    translator.connected(START)
    for said in shift.said:
        while (due := translator.next_moment()) is not None and due <= said.at:
            _hear(heard, translator.look(due))
        try:
            _hear(heard, translator.hear(said.topic, said.payload, at=said.at) or ())
        except Misfit as misfit:
            heard.refused[str(misfit)] += 1
    return heard


def _hear(heard: Told, natives: Iterable[Native]) -> None:
    for address, payload in natives:
        message = read_message(address, payload)
        heard.kinds[address.kind] += 1
        if isinstance(message, CountMessage):
            place = address.line, str(address.station)
            key = message.counts == "total", message.session
            heard.panels.take(place, key, message.panels)
            for slot, count in message.slots.items():
                heard.placed.take((*place, slot), key, count.placed)
                heard.lost.take((*place, slot), key, count.lost)


def _note(shift: Shift, line: str, event: Event) -> None:
    if isinstance(event, Counted):
        shift.panels[line, event.station] = event.panels
        for slot, (placed, lost) in event.slots.items():
            shift.placed[line, event.station, slot] = placed
            shift.lost[line, event.station, slot] = lost


def _say(shift: Shift, at: float, messages: list[Message]) -> None:
    moment = START + round(at * SECOND)
    shift.said += [Said(moment, each.topic, each.payload) for each in messages]


def _stamp(seconds: float) -> str:
    return rfc3339(to_datetime(START + round(seconds * SECOND)))
