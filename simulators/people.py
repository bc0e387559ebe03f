"""Who goes to which slot, when: how soon people act on a warning, a reminder, a tower or a buzzer."""

from __future__ import annotations

import random
from dataclasses import dataclass

from simulators.events import Learned
from simulators.plan import PeoplePlan

Place = tuple[str, str]
"""Station and slot."""


@dataclass(frozen=True, slots=True)
class Errand:
    person: str
    due: float


class People:
    """Errands under way, one for each slot at most. News about a slot never makes anybody slower."""

    def __init__(self, plan: PeoplePlan, rng: random.Random) -> None:
        self._plan = plan
        self._rng = rng
        self._errands: dict[Place, Errand] = {}

    def hear(self, place: Place, learned: Learned, now: float) -> Errand | None:
        """Somebody learned of a need; the errand when it is new or becomes quicker."""
        wait = self._reaction(learned)
        if wait is None:
            return None
        before = self._errands.get(place)
        if before and before.due <= now + wait:
            return None
        person = before.person if before else self._rng.choice(self._plan.names)
        self._errands[place] = Errand(person, now + wait)
        return self._errands[place]

    def arrives(self, place: Place, due: float) -> str | None:
        """Who arrives at ``due``; ``None`` when that errand was overtaken by a quicker one."""
        errand = self._errands.get(place)
        if errand is None or errand.due != due:
            return None
        del self._errands[place]
        return errand.person

    def _reaction(self, learned: Learned) -> float | None:
        plan = self._plan
        if learned == "warning" and self._rng.random() < plan.forgets:
            return None
        spans = {
            "warning": plan.warned,
            "reminder": plan.reminded,
            "tower": plan.saw_tower,
            "buzzer": plan.heard_buzzer,
        }
        return self._rng.uniform(*spans[learned])
