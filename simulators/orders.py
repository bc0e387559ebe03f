"""The line's work: orders one after another, some always queued ahead, the line run empty at each changeover.

To the stations it is both ends of the line: the first takes its panels here, the last hands them over here.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from itertools import count

from simulators.agenda import Agenda
from simulators.events import OrderSet
from simulators.plan import LinePlan, RecipePlan


class Orders:
    def __init__(
        self, plan: LinePlan, agenda: Agenda, rng: random.Random, adopt: Callable[[RecipePlan], None]
    ) -> None:
        self.panels = 0
        """Panels that left the line."""
        self.on_ready: Callable[[], None] = lambda: None
        self._plan = plan
        self._agenda = agenda
        self._rng = rng
        self._adopt = adopt
        self._recipes = {recipe.recipe: recipe for recipe in plan.recipes}
        self._running: OrderSet | None = None
        self._queued: deque[OrderSet] = deque()
        self._begun = self._done = 0
        self._numbers = count(1)

    def open_shift(self) -> None:
        for _ in range(self._plan.queued_ahead + 1):
            self._queue_one()
        self._run_next()

    def ready(self) -> bool:
        return self._running is not None and self._begun < self._running.panels

    def take(self) -> None:
        self._begun += 1

    def make_up(self) -> None:
        """A panel on the way was taken out; another must be begun in its place."""
        self._begun -= 1
        self._agenda.after(0.0, self.on_ready)

    def room(self) -> bool:
        return True

    def put(self) -> None:
        self.panels += 1
        self._done += 1
        order = self._running
        if order is None or self._done < order.panels:
            return
        self._running = None
        self._agenda.say(replace(order, at=self._agenda.now, state="finished"))
        self._queue_one()
        self._agenda.after(self._rng.uniform(*self._plan.changeover), self._run_next)

    def _queue_one(self) -> None:
        order = OrderSet(
            at=self._agenda.now,
            number=next(self._numbers),
            recipe=self._rng.choice(self._plan.recipes).recipe,
            panels=self._rng.randint(*self._plan.order_panels),
            state="queued",
        )
        self._queued.append(order)
        self._agenda.say(order)

    def _run_next(self) -> None:
        order = replace(self._queued.popleft(), at=self._agenda.now, state="running")
        self._adopt(self._recipes[order.recipe])
        self._running = order
        self._begun = self._done = 0
        self._agenda.say(order)
        self._agenda.after(0.0, self.on_ready)
