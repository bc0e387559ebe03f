"""The crew of a plant: who goes where, and when. Operators notice towers and hear buzzers, read warnings,
walk, look, fetch and exchange, each one errand at a time.

On a tower alone somebody must first walk to the machine to see which slot it is; a warning names the slot, so
the way leads straight to the store.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from simulators.agenda import Agenda, Voice
from simulators.events import Learned, Level, PersonSent
from simulators.loading import Hand, Loading, after_all
from simulators.places import Operator, Place, Post, Warned
from simulators.plan import PeoplePlan, Position, ShiftPlan

_DAY = 24 * 3600.0
WAITING, URGENT, EARLY = 0, 1, 2
"""What goes first. A lamp that flashes is as urgent as an urgent warning: the machine speaks late."""


@dataclass(frozen=True, slots=True)
class Job:
    """Without ``warned`` a tower shows it, and anybody may do it."""

    rank: int
    lasts: float
    place: Place
    look: bool
    warned: Warned | None = None

    def suits(self, operator: Operator) -> bool:
        return self.warned is None or self.warned.is_known_to(operator)


class Operators:
    """``on_warned`` may send who heard of slots of a place elsewhere by answering ``True``; ``on_free`` hears
    who has nothing to do."""

    def __init__(self, plan: PeoplePlan, agenda: Agenda, chance: random.Random) -> None:
        self._plan = plan
        self._agenda = agenda
        self._chance = chance
        self.operators = [Operator(name, plan.store) for name in plan.names]
        self.places: dict[Post, Place] = {}
        self.on_warned: Callable[[Operator, Place, dict[str, Learned]], bool] = lambda *_: False
        self.on_free: Callable[[Operator], None] = lambda operator: None
        for number, operator in enumerate(self.operators):
            for each in plan.breaks:
                begin = (each.at + number * plan.stagger) * 60
                agenda.at(begin, partial(self._break, operator, each.minutes * 60))
        for shift in plan.shifts:
            self._work_by(shift)

    def serve(self, line: str, loading: Loading, agenda: Voice) -> None:
        """The station is among those that the crew looks after."""
        plan = loading.station.plan
        place = Place((line, plan.station), loading, plan.position, agenda)
        self.places[place.post] = place
        loading.station.on_tower = partial(self._shown, place)

    # What they learn

    def warn(self, line: str, station: str, slot: str, level: Level, person: str | None = None) -> None:
        """A warning reached a phone: the ``person``'s, or one that all look at. Some are ignored until a
        worse one comes."""
        place = self.places.get((line, station))
        if place is None or slot not in place.loading.station.machine.slots:
            return
        if level != "empty" and self._chance.random() < self._plan.ignores:
            return
        rank = {"early": EARLY, "urgent": URGENT, "empty": WAITING}[level]
        learned: Learned = "warning" if level == "early" else "reminder"
        read = partial(self._read, place, slot, rank, learned, person)
        self._agenda.after(self._draw(self._plan.reads), read)

    def _read(self, place: Place, slot: str, rank: int, learned: Learned, person: str | None) -> None:
        if slot in place.fetched or not place.loading.wants(slot):
            return
        before = place.warned.get(slot)
        if before is not None and person is not None and before.know is not None:
            know: frozenset[str] | None = before.know | {person}
        else:
            know = None if person is None or before is not None else frozenset({person})
        if before is None or rank < before.rank:
            place.warned[slot] = Warned(rank, learned, know)
        elif know != before.know:
            place.warned[slot] = replace(before, know=know)
        self._assign()

    def _shown(self, place: Place, slots: tuple[str, ...], buzzes: bool) -> None:
        """A tower shows something new. A buzzer is heard by all; a lamp is noticed by whoever is free."""
        if buzzes:
            self._agenda.after(self._draw(self._plan.hears), partial(self._noticed, place, buzzes=True))
        else:
            self._agenda.after(self._draw(self._plan.notices), partial(self._noticed, place, buzzes=False))

    def _noticed(self, place: Place, *, buzzes: bool) -> None:
        if place.looked_at or not place.unattended():
            return
        if not buzzes and not any(not each.busy for each in self.operators):
            self._shown(place, (), False)
            return
        rank = WAITING if buzzes else URGENT
        place.sign = rank if place.sign is None else min(rank, place.sign)
        self._assign()

    # Who goes

    def _assign(self) -> None:
        """The most pressing job goes to the nearest free operator, while there are both."""
        while jobs := self._jobs():
            free = [each for each in self.operators if not each.busy]
            jobs = [job for job in jobs if any(map(job.suits, free))]
            if not jobs:
                return
            job = min(jobs, key=lambda each: (each.rank, each.lasts, each.place.post))
            target = job.place.position if job.look else self._plan.store
            operator = min(filter(job.suits, free), key=lambda each: self.seconds(each.at, target))
            operator.busy = True
            if job.look:
                self._go_and_look(operator, job.place)
            elif job.warned is None or job.rank == WAITING or not self._goes_by_plan(operator, job.place):
                self.go_for(operator, job.place, {})

    def _goes_by_plan(self, operator: Operator, place: Place) -> bool:
        known = self._known_to(operator, place)
        if not self.on_warned(operator, place, known):
            return False
        for slot in known:
            del place.warned[slot]
        return True

    def _known_to(self, operator: Operator, place: Place) -> dict[str, Learned]:
        return {slot: each.learned for slot, each in place.warned.items() if each.is_known_to(operator)}

    def _jobs(self) -> list[Job]:
        jobs = []
        for place in self.places.values():
            self._forget(place)
            seen = place.unattended() if place.sign is not None else []
            if place.sign is not None and not place.looked_at:
                # Where everybody was warned of all that the machine shows nobody needs to look first.
                look = not all(place.everybody_knows(slot) for slot in seen)
                jobs.append(Job(place.sign, min(map(place.loading.lasts, seen)), place, look))
            for slot, warned in place.warned.items():
                jobs.append(Job(warned.rank, place.loading.lasts(slot), place, False, warned))
        return jobs

    def _forget(self, place: Place) -> None:
        """What is attended to or over needs nobody any more."""
        if place.sign is not None and not place.unattended():
            place.sign = None
        for slot in [each for each in place.warned if not place.loading.wants(each)]:
            del place.warned[slot]

    # Errands

    def _go_and_look(self, operator: Operator, place: Place) -> None:
        place.looked_at = True
        learned: Learned = "buzzer" if place.sign == WAITING else "tower"
        place.sign = None
        seconds = self.walk(operator, place.position) + self._draw(self._plan.looks)
        self._agenda.after(seconds, partial(self._looked, operator, place, learned))

    def _looked(self, operator: Operator, place: Place, learned: Learned) -> None:
        place.looked_at = False
        if seen := place.unattended():
            self.go_for(operator, place, dict.fromkeys(seen, learned))
        else:
            self.release(operator)

    def go_for(self, operator: Operator, place: Place, seen: dict[str, Learned]) -> None:
        """Walk to the store for all that is known to be needed at the station, and back to it."""
        wanted = self._known_to(operator, place) | seen
        for slot in wanted:
            place.warned.pop(slot, None)
        missing = [slot for slot in wanted if slot not in place.stands]
        to_store = self.walk(operator, self._plan.store) if missing else 0.0
        search = sum(self._draw(self._plan.searches) for _ in missing)
        back = self.walk(operator, place.position)
        due = self._agenda.now + to_store + search + back
        self.set_out(operator, place, wanted, due)
        self._agenda.after(to_store + search, partial(self._fetched, operator, place, list(wanted), due))

    def set_out(self, operator: Operator, place: Place, wanted: dict[str, Learned], due: float) -> None:
        """From now on the operator has these slots in hand, and will be there at ``due``."""
        place.fetched |= wanted.keys()
        if place.sign is not None and not place.unattended():
            place.sign = None
        for slot, learned in wanted.items():
            sent = PersonSent(
                at=self._agenda.now,
                station=place.post[1],
                slot=slot,
                person=operator.name,
                learned=learned,
                due=due,
            )
            place.agenda.say(sent)

    def _fetched(self, operator: Operator, place: Place, slots: list[str], due: float) -> None:
        hands = [Hand(slot, place.take(slot), operator.name, lambda: None) for slot in slots]
        self._agenda.at(due, partial(self._exchange, operator, place, hands))

    def _exchange(self, operator: Operator, place: Place, hands: list[Hand]) -> None:
        """Tapes one after the other, for they wait for nothing, then all trays at the next boundary; then the
        operator is free, there. Who waited for the boundary first would wait for ever where the panel can't
        end without what is in the other hand."""
        if not hands:
            if seen := place.unattended():
                waits = place.loading.station.machine.short_of
                place.sign = WAITING if any(slot in waits for slot in seen) else URGENT
            self.release(operator)
            return
        slots = place.loading.station.machine.slots
        first = [hand for hand in hands if not slots[hand.slot].boundary_only][:1] or hands
        others = [hand for hand in hands if hand not in first]
        go_on = partial(self._agenda.after, 0.0, partial(self._exchange, operator, place, others))
        one_done = after_all(len(first), go_on)

        def done(slot: str) -> None:
            place.fetched.discard(slot)
            one_done()

        for hand in first:
            place.loading.bring(replace(hand, done=partial(done, hand.slot)))

    # Coming and going

    def _work_by(self, shift: ShiftPlan) -> None:
        """Each comes when the shift begins and goes when it ends, after the errand under way."""
        for number, operator in enumerate(self._operators_of(shift)):
            if shift.at:
                self._leave(operator, shift.at * 60)
            self._begin_shift(operator, shift, shift.at * 60, number)

    def _operators_of(self, shift: ShiftPlan) -> list[Operator]:
        return [each for each in self.operators if each.name in shift.names]

    def _begin_shift(self, operator: Operator, shift: ShiftPlan, begin: float, number: int) -> None:
        """All of one day, and the next day after it."""
        for each in shift.breaks:
            at = begin + (each.at + number * shift.stagger) * 60
            self._agenda.at(at, partial(self._break, operator, each.minutes * 60))
        tomorrow = begin + _DAY
        self._agenda.at(begin + shift.minutes * 60, partial(self._leave, operator, tomorrow))
        self._agenda.at(tomorrow, partial(self._begin_shift, operator, shift, tomorrow, number))

    def _leave(self, operator: Operator, until: float) -> None:
        operator.home_until = until
        if not operator.busy:
            operator.busy = True
            self._agenda.at(until, partial(self.release, operator))

    def release(self, operator: Operator) -> None:
        if operator.home_until > self._agenda.now:
            operator.at, operator.away_for = self._plan.store, 0.0
            self._agenda.at(operator.home_until, partial(self.release, operator))
            return
        operator.busy = False
        if operator.away_for:
            seconds, operator.away_for = operator.away_for, 0.0
            self._break(operator, seconds)
        self._assign()
        if not operator.busy:
            self.on_free(operator)

    def _break(self, operator: Operator, seconds: float) -> None:
        """A break waits for the end of an errand."""
        if operator.busy:
            operator.away_for = seconds
            return
        operator.busy = True
        operator.break_until = self._agenda.now + seconds
        self._agenda.after(seconds, partial(self.release, operator))

    def walk(self, operator: Operator, to: Position) -> float:
        """Seconds to get there; the operator counts as there from now on."""
        seconds = self.seconds(operator.at, to)
        operator.at = to
        return seconds

    def seconds(self, begin: Position, end: Position) -> float:
        """Along aisles, not through machines."""
        return (abs(begin[0] - end[0]) + abs(begin[1] - end[1])) / self._plan.walk

    def _draw(self, span: tuple[float, float]) -> float:
        return self._chance.uniform(*span)
