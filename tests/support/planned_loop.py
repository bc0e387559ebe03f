"""The routed closed loop with people who are shown the plan of their line as well as warned."""

from __future__ import annotations

from datetime import datetime

from service.domain.events import Readied
from service.domain.model import SECOND, from_datetime
from service.domain.planning import decide
from service.domain.prospect import look_ahead
from service.usecases.planned import shown
from service.wire.native import Address
from simulators.events import Event, InHand, PlanOpened, StandsReady
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.support.closed_loop import Watch
from tests.support.routed_loop import RoutedLoop
from tests.support.story import START


class PlannedLoop(RoutedLoop):
    def __init__(self, scenario: Scenario, *, seed: int | None = None, watch: Watch | None = None) -> None:
        super().__init__(scenario, seed=seed, watch=watch)
        self.plant = Plant(scenario, seed=seed, bell=True, plans=True)

    def _take(self, events: list[tuple[str, Event]]) -> None:
        for line, event in events:
            super()._take([(line, event)])
            match event:
                case PlanOpened():
                    self._show(line, event)
                case InHand():
                    self._set_out(line, event)
                case StandsReady():
                    self._ready(line, event)

    def _show(self, line: str, event: PlanOpened) -> None:
        """The plan as it is kept by then. Who keeps it looks more often, which changes nothing that anybody
        sees."""
        at = self._moment()
        ahead = look_ahead(self.world, line, at)
        if (better := decide(ahead)) is not None:
            self._apply(Address("plan", line, None), better, at)
        plan = shown(ahead)
        self._take(self.plant.show_plan(line, event.person, plan, seconds_of))

    def _ready(self, line: str, event: StandsReady) -> None:
        message = Readied(part=event.part, kind=event.kind, supplies=event.supplies, by=event.person)
        self._tell(self._apply(Address("ready", line, None), message, self._moment()))


def seconds_of(rfc3339: str) -> float:
    return (from_datetime(datetime.fromisoformat(rfc3339)) - START) / SECOND
