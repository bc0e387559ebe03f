"""The errands of people who go by a plan: fetching in one walk what is due soon, splicing in the plan's
order, being at the machine for a planned stop and exchanging all of it at once.

When they look at the plan, and which errand comes first, isn't decided here (see ``followers``).
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial

from simulators.agenda import Agenda
from simulators.events import StandsReady
from simulators.loading import Hand, after_all
from simulators.operators import Operators
from simulators.places import Operator, Place, Post
from simulators.plan import FollowPlan, PeoplePlan
from simulators.sheet import PlannedHalt, Sheet, Turn

BY_HAND = 60.0
"""Seconds that people allow for an exchange when they think of when to begin."""
SPARE = 45.0
"""Seconds before a stop at which one wants to be there."""
LEFT_ALONE = 600.0
"""Seconds after which one looks again at a slot that lasts longer than the plan thought."""


@dataclass(slots=True)
class Follower:
    operator: Operator
    own: tuple[str, ...]
    beside: tuple[str, ...]
    sheets: dict[str, Sheet] = field(default_factory=dict)
    panels: dict[Post, int] = field(default_factory=dict)
    """What the stations' counters showed when the sheets were read."""
    alarm: int = 0
    """The number of the look that is still to come; earlier ones are off."""
    owes: bool = False
    """A look fell due during an errand."""


@dataclass(frozen=True, slots=True)
class Errand:
    """Due by then; ``lasts`` so long, with a walk to the store where it is ``afar``. With ``idle`` seconds to
    spare something else may come before it."""

    due: float
    lasts: float
    do: Callable[[], None]
    idle: float = 0.0
    afar: bool = False


@dataclass(frozen=True, slots=True)
class Due:
    """A turn of a sheet with the place it is at; ``halt`` where it needs one."""

    place: Place
    turn: Turn
    at: float
    halt: PlannedHalt | None = None


class Errands:
    """``glance`` is called when the plan is looked at in the middle of an errand."""

    def __init__(
        self,
        crew: Operators,
        people: PeoplePlan,
        plan: FollowPlan,
        agenda: Agenda,
        chance: random.Random,
        glance: Callable[[Follower], None],
    ) -> None:
        self._crew = crew
        self._people = people
        self._plan = plan
        self._agenda = agenda
        self._chance = chance
        self._glance = glance
        self._full: dict[tuple[str, str, str], float] = {}
        """Until when nobody comes to a slot again."""

    def possible(self, who: Follower, dues: list[Due]) -> list[Errand]:
        """All that might be begun now."""
        return [*self._splices(who, dues), *self._halts(who, dues), *self._fetches(who, dues)]

    def begins(self, who: Follower, due: Due, early: float) -> list[float]:
        """When somebody who keeps it in mind would look again, to begin with it."""
        if due.halt is not None:
            return [due.at - early - self._way(who, due.place)]
        return [due.at - self._plan.soon, due.at - self._plan.hurry]

    def dues(self, who: Follower) -> list[Due]:
        """What the plans say of slots that nobody has in hand, once each, soonest first."""
        return sorted(self._dues(who), key=lambda due: due.at)

    def _dues(self, who: Follower) -> Iterator[Due]:
        for line, sheet in who.sheets.items():
            seen = set()
            for halt in sheet.halts:
                for turn in halt.turns:
                    if (turn.station, turn.slot) not in seen and (place := self._place(line, turn)):
                        seen.add((turn.station, turn.slot))
                        yield Due(place, turn, halt.at, halt)
            for turn in sheet.meanwhile:
                if turn.due is not None and (turn.station, turn.slot) not in seen:
                    seen.add((turn.station, turn.slot))
                    if place := self._place(line, turn):
                        yield Due(place, turn, turn.due)

    def _place(self, line: str, turn: Turn) -> Place | None:
        place = self._crew.places.get((line, turn.station))
        if place is None or turn.slot in place.fetched:
            return None
        part = place.loading.part_in(turn.slot).part
        if turn.part not in (None, part) or self._full.get((*place.post, turn.slot), 0) > self._agenda.now:
            return None
        supply = place.stands.get(turn.slot)
        if supply is not None and not place.loading.holds_part_of(turn.slot, supply):
            place.loading.put_back(place.stands.pop(turn.slot))
        return place

    # Splicing

    def _splices(self, who: Follower, dues: list[Due]) -> Iterator[Errand]:
        now = self._agenda.now
        ready = [
            due
            for due in dues
            if due.halt is None
            and due.turn.slot in due.place.stands
            and due.at <= now + self._plan.soon
            and (due.turn.opens is None or due.turn.opens <= now or due.at <= now + self._plan.hurry)
        ]
        if ready:
            line, way = ready[0].place.post[0], self._way(who, ready[0].place)
            own = [due for due in ready if due.place.post[0] == line]
            for some in (own, own[:1]):
                lasts = way + len(some) * BY_HAND
                yield Errand(some[0].at, lasts, partial(self._set_to, who, some))

    def _set_to(self, who: Follower, dues: list[Due]) -> None:
        """One after the other, in the order of the plan."""
        for due in dues:
            due.place.fetched.add(due.turn.slot)
        self._next(who, dues)

    def _next(self, who: Follower, dues: list[Due]) -> None:
        if not dues:
            self._look_again(who)
            return
        first, *others = dues
        walk = self._crew.walk(who.operator, first.place.position)
        self._agenda.after(walk, partial(self._bring, who, first, partial(self._next, who, others)))

    def _bring(self, who: Follower, due: Due, done: Callable[[], None]) -> None:
        place, slot = due.place, due.turn.slot
        supply = place.stands.get(slot)
        panels = who.panels[place.post] + (due.halt.panels if due.halt else 0)
        needed = place.loading.is_begun(slot) if due.halt else place.loading.wants(slot)
        if supply is None or not needed:
            self._full[(*place.post, slot)] = self._agenda.now + LEFT_ALONE
            place.fetched.discard(slot)
            done()
            return

        def over() -> None:
            place.fetched.discard(slot)
            self._agenda.after(0.0, done)

        del place.stands[slot]
        hand = Hand(slot, supply, who.operator.name, over, planned=due.halt is not None, panels=panels)
        place.loading.bring(hand)

    def _look_again(self, who: Follower) -> None:
        """Errand done: the next look is at once, if nothing else calls."""
        who.owes = True
        self._crew.release(who.operator)

    # Stops

    def _halts(self, who: Follower, dues: list[Due]) -> Iterator[Errand]:
        now = self._agenda.now
        for halt in {id(due.halt): due.halt for due in dues if due.halt is not None}.values():
            own = [due for due in dues if due.halt is halt and due.turn.slot in due.place.stands]
            if own:
                way, left = self._way(who, own[0].place), halt.at - now
                if left <= self._plan.early[1] + way:
                    do = partial(self._stand_by, who, halt, own)
                    yield Errand(halt.at, left + BY_HAND * len(own), do, idle=left - way - SPARE)

    def _stand_by(self, who: Follower, halt: PlannedHalt, dues: list[Due]) -> None:
        """Go there and look again in a moment; for the last few panels stay and count them."""
        way = self._crew.walk(who.operator, dues[0].place.position)
        if halt.panels > self._plan.counts:
            self._agenda.after(way + self._draw(self._plan.glances), partial(self._glance, who))
            return
        for due in dues:
            due.place.fetched.add(due.turn.slot)
        self._agenda.after(way, partial(self._hold, who, dues))

    def _hold(self, who: Follower, dues: list[Due]) -> None:
        """All trays of one station are at hand when it comes to its boundary; those of others follow."""
        station = dues[0].place
        here = [due for due in dues if due.place is station]
        others = [due for due in dues if due.place is not station]
        one_done = after_all(len(here), partial(self._next, who, others))
        for due in here:
            self._bring(who, due, one_done)

    # Fetching

    def _fetches(self, who: Follower, dues: list[Due]) -> Iterator[Errand]:
        now = self._agenda.now
        missing = [due for due in dues if due.turn.slot not in due.place.stands]
        if missing and missing[0].at <= now + self._plan.ahead:
            line = missing[0].place.post[0]
            near = [due for due in missing if due.place.post[0] == line and due.at <= now + self._plan.near]
            load = near[: self._plan.carries]
            do = partial(self._fetch, who, load)
            yield Errand(load[0].at, self._trip(who, load), do, afar=True)

    def _trip(self, who: Follower, load: list[Due]) -> float:
        search = sum(self._people.searches) / 2 * len(load)
        store, place = self._people.store, load[0].place.position
        return self._crew.seconds(who.operator.at, store) + search + self._crew.seconds(store, place)

    def _fetch(self, who: Follower, load: list[Due]) -> None:
        """One walk to the store and back for all of it; then it stands beside the line."""
        place = load[0].place
        to_store = self._crew.walk(who.operator, self._people.store)
        search = sum(self._draw(self._people.searches) for _ in load)
        due = self._agenda.now + to_store + search + self._crew.walk(who.operator, place.position)
        for each in load:
            self._crew.set_out(who.operator, each.place, {each.turn.slot: "plan"}, due)
        self._agenda.at(due, partial(self._fetched, who, load))

    def _fetched(self, who: Follower, load: list[Due]) -> None:
        for each in load:
            each.place.stands[each.turn.slot] = each.place.loading.fetch(each.turn.slot)
            each.place.fetched.discard(each.turn.slot)
        if self._chance.random() < self._plan.ticks:
            self._tick(who, load)
        self._look_again(who)

    def _tick(self, who: Follower, load: list[Due]) -> None:
        line = load[0].place.post[0]
        places = [place for post, place in self._crew.places.items() if post[0] == line]
        for part in dict.fromkeys(each.place.stands[each.turn.slot].part for each in load):
            stand = sum(supply.part == part for place in places for supply in place.stands.values())
            ready = StandsReady(
                at=self._agenda.now,
                part=part.part,
                kind=part.kind,
                supplies=stand,
                person=who.operator.name,
            )
            self._agenda.say(line, ready)

    def _way(self, who: Follower, place: Place) -> float:
        return self._crew.seconds(who.operator.at, place.position)

    def _draw(self, span: tuple[float, float]) -> float:
        return self._chance.uniform(*span)


def first_of(errands: list[Errand], now: float) -> Errand:
    """The one that is due first; but before a walk to the store one does what would fall due meanwhile, and
    while there is time until a stop, what fits before it."""
    first = min(errands, key=_due)
    if first.afar:
        here = (each for each in errands if not each.afar and each.due < now + first.lasts)
        first = min(here, key=_due, default=first)
    return min((each for each in errands if each.lasts <= first.idle), key=_due, default=first)


def _due(errand: Errand) -> float:
    return errand.due
