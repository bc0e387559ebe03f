"""What stands ready at a line: supplies that somebody ticked as fetched, until they are loaded there.

A tick is an absolute number for a part, so that the same tick twice is one; whoever sets it lower takes it
back. It says nothing of what is left in a supply.
"""

from __future__ import annotations

from service.domain.events import Readied
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.state import LineState, Ready, StationState
from service.domain.world import World, touch_line


def apply(world: World, line: LineState, message: Readied, at: Instant) -> list[Told] | None:
    """So many supplies of a part stand ready. ``None``: that was known already."""
    if message.supplies == _ticked(line, message.part, message.kind):
        return None
    _tick(world, line, Ready(message.part, message.kind, message.supplies, message.by, at))
    return []


def stands_ready(line: LineState, part: str, kind: str | None) -> int:
    """So many supplies somebody ticked as standing at the line that weren't loaded since; where a kind isn't
    known, on either side, any fits."""
    return sum(each.supplies for each in line.ready if _fits(each, part, kind))


def ticks_of(line: LineState, part: str, kind: str | None) -> list[Ready]:
    """The ticks behind ``stands_ready``, the latest first."""
    return sorted((each for each in line.ready if _fits(each, part, kind)), key=lambda each: -each.at)


def use(world: World, station: StationState, part: str | None, kind: str | None) -> bool:
    """One was loaded: the oldest tick that fits, of its own kind before others, is one less. Whether there
    was any."""
    line = world.line(station.line)
    fitting = [] if part is None else [each for each in line.ready if _fits(each, part, kind)]
    if not fitting:
        return False
    first = min(fitting, key=lambda each: (each.kind != kind, each.at))
    first.supplies -= 1
    line.ready = [each for each in line.ready if each.supplies]
    touch_line(world, line)
    return True


def put_back(
    world: World, station: StationState, part: str, kind: str | None, *, by: str, at: Instant
) -> None:
    """What ``use`` took was not loaded after all: it stands there again."""
    line = world.line(station.line)
    _tick(world, line, Ready(part, kind, 1 + _ticked(line, part, kind), by, at))


def _tick(world: World, line: LineState, ready: Ready) -> None:
    kept = [each for each in line.ready if (each.part, each.kind) != (ready.part, ready.kind)]
    line.ready = [*kept, ready] if ready.supplies else kept
    touch_line(world, line)


def _ticked(line: LineState, part: str, kind: str | None) -> int:
    return sum(each.supplies for each in line.ready if (each.part, each.kind) == (part, kind))


def _fits(ready: Ready, part: str, kind: str | None) -> bool:
    return ready.part == part and (kind is None or ready.kind in (None, kind))
