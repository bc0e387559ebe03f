"""People who go by the plan of their line: when they look at it, and which of its errands they begin.

They forget, they are on breaks, they have two hands; what the plan doesn't name they do on warnings and
towers like everybody else (see ``operators``). What an errand takes isn't decided here (see ``errands``).
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from functools import partial

from simulators.agenda import Agenda
from simulators.errands import Errands, Follower, first_of
from simulators.events import InHand, Learned, PlanOpened
from simulators.operators import Operators
from simulators.places import Operator, Place
from simulators.plan import FollowPlan, PeoplePlan
from simulators.sheet import Sheet

AT_LEAST = 15.0
"""Nobody looks again sooner (seconds) who saw nothing to do."""


class Followers:
    def __init__(
        self, crew: Operators, people: PeoplePlan, plan: FollowPlan, agenda: Agenda, chance: random.Random
    ) -> None:
        self._crew = crew
        self._plan = plan
        self._agenda = agenda
        self._chance = chance
        self._own = {line: set(names) for line, names in plan.lines.items()}
        self._errands = Errands(crew, people, plan, agenda, chance, self._glance)
        self._all = {each.name: follower for each in crew.operators if (follower := self._follower(each))}
        crew.on_warned, crew.on_free = self._warned, self._free
        for each in self._all.values():
            self._look_after(each, self._draw(plan.looks))

    def _follower(self, operator: Operator) -> Follower | None:
        own, beside = (self._lines(of, operator) for of in (self._plan.lines, self._plan.beside))
        return Follower(operator, own, beside) if own or beside else None

    def _lines(self, of: Mapping[str, tuple[str, ...]], operator: Operator) -> tuple[str, ...]:
        here = {line for line, _ in self._crew.places}
        return tuple(line for line, names in of.items() if operator.name in names and line in here)

    def hand(self, line: str, person: str, sheet: Sheet) -> None:
        """The plan that the person has just opened."""
        self._all[person].sheets[line] = sheet

    # When they look

    def _look_after(self, who: Follower, seconds: float) -> None:
        who.alarm += 1
        self._agenda.after(seconds, partial(self._alarm, who, who.alarm))

    def _alarm(self, who: Follower, number: int) -> None:
        if number != who.alarm:
            return
        if who.operator.busy:
            who.owes = True
        else:
            self._look(who)

    def _free(self, operator: Operator) -> None:
        who = self._all.get(operator.name)
        if who is not None and who.owes:
            self._look(who)

    def _warned(self, operator: Operator, place: Place, slots: dict[str, Learned]) -> bool:
        """Who has the line looks at its plan first."""
        who = self._all.get(operator.name)
        if who is None or place.post[0] not in self._lines_of(who):
            return False
        self._look(who, partial(self._urged, who, place, slots))
        return True

    def _lines_of(self, who: Follower) -> tuple[str, ...]:
        return who.own + tuple(line for line in who.beside if self._is_left(line))

    def _is_left(self, line: str) -> bool:
        """Whether nobody who has the line is there."""
        now, names = self._agenda.now, self._own.get(line, set())
        return all(each.is_away(now) for each in self._crew.operators if each.name in names)

    def _look(self, who: Follower, then: Callable[[], None] | None = None) -> None:
        """Every line's plan is read at once; what is done about it comes a little later."""
        who.operator.busy, who.owes, who.alarm = True, False, who.alarm + 1
        who.sheets.clear()
        for line in self._lines_of(who):
            self._agenda.say(line, PlanOpened(at=self._agenda.now, person=who.operator.name))
        who.panels = {post: place.panels for post, place in self._crew.places.items()}
        self._agenda.after(self._draw(self._plan.reads), then or partial(self._looked, who))

    def _looked(self, who: Follower) -> None:
        if self._chance.random() < self._plan.forgets:
            self._rest(who, self._draw(self._plan.looks))
        else:
            self._go_on(who)

    def _urged(self, who: Follower, place: Place, slots: dict[str, Learned]) -> None:
        """A warning made them look: what the plan doesn't name they go for at once."""
        line, station = place.post
        sheet = who.sheets.get(line)
        unplanned = {
            slot: learned for slot, learned in slots.items() if not (sheet and sheet.names(station, slot))
        }
        if unplanned:
            who.owes = True
            self._crew.go_for(who.operator, place, unplanned)
            return
        for slot in slots:
            said = InHand(at=self._agenda.now, station=station, slot=slot, person=who.operator.name)
            place.agenda.say(said)
        self._go_on(who)

    def _glance(self, who: Follower) -> None:
        """A look during an errand, which nobody forgets."""
        self._look(who, partial(self._go_on, who))

    def _rest(self, who: Follower, seconds: float) -> None:
        self._look_after(who, seconds)
        self._crew.release(who.operator)

    # What they do about it

    def _go_on(self, who: Follower) -> None:
        """What is due first of all that may begin now."""
        dues = self._errands.dues(who)
        if errands := self._errands.possible(who, dues):
            first_of(errands, self._agenda.now).do()
            return
        early, now = self._draw(self._plan.early), self._agenda.now
        begins = (begin - now for due in dues for begin in self._errands.begins(who, due, early))
        ahead = [seconds for seconds in begins if seconds > 0]
        self._rest(who, max(AT_LEAST, min([self._draw(self._plan.looks), *ahead])))

    def _draw(self, span: tuple[float, float]) -> float:
        return self._chance.uniform(*span)
