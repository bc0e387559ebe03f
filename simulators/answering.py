"""The crew without its plant: supplies that end at given moments, what people are told of them and when, and
what becomes of it. The people are those of ``operators``, to the second; only the machines are stand-ins that
run empty as they are told to.

Each supply runs by the clock: that its station stood for another one meanwhile doesn't lengthen its life.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from math import inf
from typing import Any, cast

from simulators.agenda import Agenda, Voice
from simulators.events import Level, PersonSent
from simulators.loading import TOO_EARLY, Hand, Loading
from simulators.operators import Operators
from simulators.places import Post
from simulators.plan import PartPlan, PeoplePlan, Position
from simulators.scenario import Scenario
from simulators.store import Supply
from simulators.streams import Streams

PATIENCE = 8 * 3600.0
"""Seconds after the last end until which somebody comes, or nobody ever does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notified:
    """``people`` read it; ``None``: the whole crew does."""

    at: float
    level: Level
    people: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """A supply that is empty at second ``end``. Its tower calls it ``low`` before, if ever; ``takt``:
    seconds a panel; ``between``: it is exchanged between two panels only. ``since``: it is there from then
    on; nobody can do anything about it before, nor before the one before it in its slot is exchanged."""

    line: str
    station: str
    slot: str
    end: float
    takt: float
    since: float = 0.0
    low: float | None = None
    between: bool = False
    told: tuple[Notified, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """Somebody set out at ``taken``, the next supply was there at ``refilled`` (``None``: never); the station
    had waited for it so long."""

    taken: float | None
    refilled: float | None
    waited: float


@dataclass(frozen=True, slots=True)
class Answered:
    """``answers`` to the endings, in their order. ``stops`` of stations, of one or more supplies, and their
    ``seconds``; what two supplies share of a wait counts once."""

    answers: tuple[Answer, ...]
    stops: int
    seconds: float

    @property
    def reactions(self) -> list[tuple[float | None, float | None]]:
        return [(each.taken, each.refilled) for each in self.answers]


def answer(
    people: PeoplePlan,
    endings: Sequence[Ending],
    *,
    seed: int,
    positions: Mapping[Post, Position],
    bell: bool = True,
) -> Answered:
    """What the crew makes of it. A station that ``positions`` doesn't name lies in the middle of the others;
    without a ``bell`` nobody is told, and people go by towers and buzzers."""
    agenda = Agenda()
    crew = Operators(people, agenda, Streams(seed).of("people"))
    hands = Streams(seed).of("hands")
    waiting: dict[Post, list[_Case]] = defaultdict(list)
    cases = [_Case(each) for each in endings]
    for case in sorted(cases, key=lambda each: each.ending.end):
        waiting[case.ending.line, case.ending.station].append(case)
    stands = [
        _Stand(
            post,
            positions.get(post, _middle(positions)),
            due,
            agenda,
            partial(hands.uniform, *people.exchange),
        )
        for post, due in sorted(waiting.items())
    ]
    by_post = {stand.post: stand for stand in stands}
    for stand in stands:
        crew.serve(stand.post[0], cast(Loading, stand), Voice(agenda, stand.post[0]))
        stand.open(crew if bell else None)
    last = max((each.end for each in endings), default=0.0) + PATIENCE
    while not all(case.refilled is not None for case in cases) and agenda.next_at <= last:
        for line, event in agenda.advance(agenda.next_at):
            if isinstance(event, PersonSent):
                by_post[line, event.station].set_out(event.slot, event.at)
    answers = tuple(case.answer(last) for case in cases)
    spans = [span for stand in stands for span in stand.waits(last)]
    return Answered(answers, len(spans), sum((until - since for since, until in spans), 0.0))


def _middle(positions: Mapping[Post, Position]) -> Position:
    known = list(positions.values()) or [(0.0, 0.0)]
    return sum(x for x, _ in known) / len(known), sum(y for _, y in known) / len(known)


@dataclass(slots=True)
class _Case:
    """``later``: so much later than it was said all of it is, because it was loaded later."""

    ending: Ending
    later: float = 0.0
    taken: float | None = None
    refilled: float | None = None

    @property
    def end(self) -> float:
        return self.ending.end + self.later

    def answer(self, last: float) -> Answer:
        until = last if self.refilled is None else self.refilled
        return Answer(self.taken, self.refilled, max(0.0, until - self.end))


@dataclass(frozen=True, slots=True)
class _Slot:
    boundary_only: bool


@dataclass(frozen=True, slots=True)
class _Plan:
    station: str
    position: Position


@dataclass(slots=True)
class _Machine:
    slots: dict[str, _Slot]
    short_of: tuple[str, ...] = ()
    panels: int = 0


class _Station:
    """Stands in for a station: what the crew sees of it."""

    def __init__(self, plan: _Plan, cases: Sequence[_Case]) -> None:
        self.plan = plan
        self.machine = _Machine({case.ending.slot: _Slot(case.ending.between) for case in cases})
        self.on_tower: Callable[[tuple[str, ...], bool], None] = lambda slots, buzzes: None


class _Stand:
    """Stands in for the loading of a station: what the crew asks of it, and what it does there. Of each slot
    the first of ``queues`` is in it."""

    def __init__(
        self,
        post: Post,
        position: Position,
        cases: list[_Case],
        agenda: Agenda,
        exchange: Callable[[], float],
    ) -> None:
        self.post = post
        self.station = _Station(_Plan(post[1], position), cases)
        self._agenda = agenda
        self._exchange = exchange
        self._cases = cases
        self._queues: dict[str, list[_Case]] = defaultdict(list)
        for case in cases:
            self._queues[case.ending.slot].append(case)
        self._crew: Operators | None = None

    def open(self, crew: Operators | None) -> None:
        """With a crew it is told."""
        self._crew = crew
        for queue in self._queues.values():
            self._agenda.at(max(0.0, queue[0].ending.since), partial(self._begin, queue[0]))

    def set_out(self, slot: str, at: float) -> None:
        """Somebody goes for it."""
        queue = self._queues[slot]
        if queue and queue[0].taken is None:
            queue[0].taken = at

    def waits(self, last: float) -> list[tuple[float, float]]:
        """The spans in which the station waited for supplies, one or more."""
        spans: list[tuple[float, float]] = []
        for case in sorted(self._cases, key=lambda each: each.end):
            until = last if case.refilled is None else case.refilled
            if until <= case.end:
                continue
            if spans and case.end <= spans[-1][1]:
                spans[-1] = spans[-1][0], max(spans[-1][1], until)
            else:
                spans.append((case.end, until))
        return spans

    # What the crew asks

    def shown(self) -> tuple[str, ...]:
        low = (slot for slot in self._queues if self._is_low(slot))
        return tuple(dict.fromkeys((*self.station.machine.short_of, *low)))

    def lasts(self, slot: str) -> float:
        queue = self._queues[slot]
        return (queue[0].end - self._agenda.now) / queue[0].ending.takt if queue else inf

    def wants(self, slot: str) -> bool:
        return slot in self.shown() or (self._is_there(slot) and self.lasts(slot) <= TOO_EARLY)

    def fetch(self, slot: str) -> Supply:
        """Nobody looks at what is brought."""
        return _ANY

    def bring(self, hand: Hand) -> None:
        if not self.wants(hand.slot):
            hand.done()
            return
        case = self._queues[hand.slot][0]
        waits = case.ending.takt / 2 if case.ending.between and case.end > self._agenda.now else 0.0
        self._agenda.after(waits + self._exchange(), partial(self._refill, case, hand))

    def _is_there(self, slot: str) -> bool:
        queue = self._queues[slot]
        return bool(queue) and queue[0].ending.since <= self._agenda.now

    def _is_low(self, slot: str) -> bool:
        if not self._is_there(slot):
            return False
        case = self._queues[slot][0]
        return case.ending.low is not None and case.ending.low + case.later <= self._agenda.now

    # What happens to its supplies

    def _begin(self, case: _Case) -> None:
        """The supply is there from now on, and runs towards its end."""
        ending, now = case.ending, self._agenda.now
        case.later = max(0.0, now - ending.since)
        if self._crew is not None:
            for told in ending.told:
                at = max(now, told.at + case.later)
                self._agenda.at(at, partial(self._tell, case, told, self._crew))
        if ending.low is not None and ending.low < ending.end:
            self._agenda.at(max(now, ending.low + case.later), partial(self._show, case, buzzes=False))
        self._agenda.at(max(now, case.end), partial(self._show, case, buzzes=True))

    def _tell(self, case: _Case, told: Notified, crew: Operators) -> None:
        if case.refilled is None:
            known = [name for name in told.people or () if any(name == each.name for each in crew.operators)]
            everybody: list[str | None] = [None]
            for person in known if told.people and len(known) == len(told.people) else everybody:
                crew.warn(*self.post, case.ending.slot, told.level, person)

    def _show(self, case: _Case, *, buzzes: bool) -> None:
        """The tower names the slot; with the buzzer the station waits for it."""
        if case.refilled is None:
            if buzzes:
                machine = self.station.machine
                machine.short_of = (*machine.short_of, case.ending.slot)
            self.station.on_tower((case.ending.slot,), buzzes)

    def _refill(self, case: _Case, hand: Hand) -> None:
        queue, machine = self._queues[hand.slot], self.station.machine
        if case.refilled is None:
            case.refilled = self._agenda.now
            machine.short_of = tuple(name for name in machine.short_of if name != hand.slot)
            queue.remove(case)
            if queue:
                at = max(self._agenda.now, queue[0].ending.since)
                self._agenda.at(at, partial(self._begin, queue[0]))
        hand.done()


_ANY = Supply("any", PartPlan(part="any", full=1), 1, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """The people of a scenario, to be asked over and over with the same luck: ``seeds`` tries. Supplies come
    as plain data, with the keys of ``Ending`` and ``Notified``."""

    people: PeoplePlan
    positions: Mapping[Post, Position]
    seeds: int

    @classmethod
    def of(cls, scenario: Scenario, seeds: int) -> Crew:
        places = {
            (line.line, each.station): each.position for line in scenario.lines for each in line.stations
        }
        return cls(people=scenario.people, positions=places, seeds=seeds)

    def __call__(self, needs: Sequence[Mapping[str, Any]], *, bell: bool) -> list[Answered]:
        """What comes of it at each try."""
        endings = [
            Ending(**{**each, "told": tuple(Notified(**told) for told in each["told"])}) for each in needs
        ]
        return [
            answer(self.people, endings, seed=seed, positions=self.positions, bell=bell)
            for seed in range(1, self.seeds + 1)
        ]
