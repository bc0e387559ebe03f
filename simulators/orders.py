"""The line's work: orders one after another, some always queued ahead, the line run empty at each changeover.

To the stations it is both ends of the line: the first takes its panels here, the last hands them over here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from itertools import count

from simulators.agenda import Voice
from simulators.conveyor import Panel
from simulators.events import Cause, OrderSet
from simulators.plan import LinePlan, RecipePlan
from simulators.streams import Streams


class Orders:
    def __init__(
        self,
        plan: LinePlan,
        agenda: Voice,
        streams: Streams,
        seconds_to_change: Callable[[RecipePlan], float],
        adopt: Callable[[RecipePlan], None],
    ) -> None:
        self.on_ready: Callable[[], None] = lambda: None
        self.on_placed: Callable[[Panel], None] = lambda panel: None
        self._plan = plan
        self._agenda = agenda
        self._rng, self._boards, self._changeovers = map(streams.of, ("orders", "boards", "changeovers"))
        self._seconds_to_change = seconds_to_change
        self._adopt = adopt
        self._recipes = {recipe.recipe: recipe for recipe in plan.recipes}
        self._running: OrderSet | None = None
        self._queued: deque[OrderSet] = deque()
        self._begun = self._done = 0
        self._numbers = count(1)
        self._panels = count(1)
        self._breaks = () if plan.runs_through else plan.breaks

    def open_shift(self) -> None:
        for _ in range(self._plan.queued_ahead + 1):
            self._queue_one()
        for each in self._breaks:
            self._agenda.at((each.at + each.minutes) * 60, self.on_ready)
        self._run_next()

    @property
    def lacking(self) -> Cause:
        return "break" if self._in_break() else "no order"

    def ready(self) -> bool:
        return self._running is not None and self._begun < self._running.panels and not self._in_break()

    def take(self) -> Panel:
        self._begun += 1
        recipe = self._recipes[self._running.recipe] if self._running else self._plan.recipes[0]
        boards = recipe.boards_per_panel
        bad = sum(self._boards.random() < recipe.bad_boards for _ in range(boards))
        return Panel(next(self._panels), boards, bad)

    def make_up(self) -> None:
        """A panel on the way was taken out; another must be begun in its place."""
        self._begun -= 1
        self._agenda.after(0.0, self.on_ready)

    def room(self) -> bool:
        return True

    def put(self, panel: Panel) -> None:
        """The panel has all its parts. The order's last one ends the order: the oven, if there is one, never
        holds, and the stations are free for the next."""
        self.on_placed(panel)
        self._done += 1
        order = self._running
        if order is None or self._done < order.panels:
            return
        self._running = None
        self._agenda.say(replace(order, at=self._agenda.now, state="finished"))
        self._queue_one()
        following = self._recipes[self._queued[0].recipe]
        seconds = self._changeovers.uniform(*self._plan.changeover) + self._seconds_to_change(following)
        self._agenda.after(seconds, self._run_next)

    def _in_break(self) -> bool:
        minute = self._agenda.now / 60
        return any(each.at <= minute < each.at + each.minutes for each in self._breaks)

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
