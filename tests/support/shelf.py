"""What stands ready at the lines of the made-up plant in memory, ticked by the real rules."""

from __future__ import annotations

from typing import Any

import msgspec

from service.desk import Unfit
from service.domain import ready
from service.domain.events import Readied
from service.domain.model import Instant
from service.domain.world import World


class Shelf:
    """``world`` holds nothing but lines with their ticks."""

    def __init__(self, at: Instant) -> None:
        self.world = World()
        self._at = at

    def tick(self, line: str, **said: Any) -> None:
        try:
            message = msgspec.convert(said, Readied)
        except msgspec.ValidationError as error:
            raise Unfit(str(error)) from None
        ready.apply(self.world, self.world.line(line), message, self._at)
