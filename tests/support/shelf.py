"""What stands ready at the lines of the made-up plant in memory, and what must be fetched there, by the real
rules: its slots are laid out as stations of a world."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import msgspec

from service.desk import Unfit
from service.domain import ready
from service.domain.events import Readied
from service.domain.model import Instant
from service.domain.policy import Policy, SlotRule
from service.domain.state import Order, Recipe, SlotState, StationState
from service.domain.world import World
from service.usecases.fetch import fetch_object, planned_in, ready_object, span
from service.usecases.planned import plan_object

FULL = [SlotRule(slot="F*", full=5000), SlotRule(slot="T*", full=40)]
RUNNING, NEXT = "gate-rev-c", "gate-rev-d"


class Laid(Protocol):
    """A slot of the plant."""

    line: str
    station: str
    slot: str
    part: str | None
    kind: str | None
    usage: float | None
    left: int | None
    as_of: Instant


class Shelf:
    """``changes``: what the next order wants in other slots, by part."""

    def __init__(self, at: Instant) -> None:
        self.world = World(policy=Policy(slots=FULL))
        self.changes: dict[str, dict[str, str]] = {"P1": {"F09": "R-1K-0402"}}
        self._at = at

    def tick(self, line: str, **said: Any) -> dict[str, object]:
        try:
            message = msgspec.convert(said, Readied)
        except msgspec.ValidationError as error:
            raise Unfit(str(error)) from None
        ready.apply(self.world, self.world.line(line), message, self._at)
        return ready_object(self.world.line(line), message.part, message.kind)

    def fetch(
        self, line: str, places: Sequence[Laid], *, until: Instant | None, hours: float | None
    ) -> dict[str, object]:
        at = self._laid_out(line, places)
        end = span(None, at, until=until, hours=hours)
        planned = planned_in(plan_object(self.world, line))
        return fetch_object(self.world, line, at=at, until=end, ends=None, planned=planned)

    def plan(self, line: str, places: Sequence[Laid], *, panels: int) -> dict[str, object]:
        self._laid_out(line, places)
        return plan_object(self.world, line, panels=panels)

    def _laid_out(self, line: str, places: Sequence[Laid]) -> Instant:
        """The line as it is now; the moment of its last count."""
        state = self.world.line(line)
        state.orders = {
            "8842": Order("8842", RUNNING, 480, "running", start_seen=True),
            "8843": Order("8843", NEXT, 120, "queued"),
        }
        state.running = "8842"
        mine = [each for each in places if each.line == line]
        for name in {each.station for each in mine}:
            self._lay_out(line, name, [each for each in mine if each.station == name])
        return max(each.as_of for each in mine)

    def _lay_out(self, line: str, name: str, places: Sequence[Laid]) -> None:
        usage = {each.slot: each.usage for each in places if each.usage}
        parts = {each.slot: each.part for each in places if each.part}
        slots = {
            each.slot: SlotState(each.slot, kind=each.kind, part=each.part, declared=each.left, exact=True)
            for each in places
        }
        recipes = {RUNNING: Recipe(RUNNING, usage, parts)}
        if name in self.changes:
            recipes[NEXT] = Recipe(NEXT, usage, parts | self.changes[name])
        self.world.adopt(
            StationState(
                line, name, slots=slots, recipes=recipes, last_active=RUNNING, order="8842", order_done=270,
                order_start_seen=True, counted_at=max(each.as_of for each in places), takts=[24.0] * 5,
            )
        )  # fmt: skip
