"""One recorded entry applied to the world: the same for a replay and for the state an export begins with."""

from __future__ import annotations

import msgspec

from service.domain import floor
from service.domain.events import JournalEntry
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.world import World
from service.wire.journal import read_entry


def fold(world: World, entry: JournalEntry) -> list[Told] | None:
    """What ``floor.apply`` gives for the entry. ``Misfit`` when it isn't one of ours."""
    if entry.kind == "settings":
        return floor.change_policy(world, msgspec.json.decode(entry.data, type=Policy), entry.at)
    address, message = read_entry(entry)
    return floor.apply(
        world, message, line=address.line, station=address.station, at=entry.at, retained=entry.retained
    )
