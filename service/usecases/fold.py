"""A recording folded into a world: its start state, and one entry after another. The same for a replay and
for the state an export begins with."""

from __future__ import annotations

import msgspec

from service.domain import floor
from service.domain.events import JournalEntry, PersonAct
from service.domain.life import Taken
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.world import World, touch_supply
from service.wire.journal import StartState, read_entry
from service.wire.native import Misfit


def begin(start: StartState) -> World:
    """The world as it was before the first entry. ``Misfit``: its settings aren't ours."""
    world = World(policy=policy_of(start.policy))
    # Before the stations, whose sights go by it.
    world.memory.adopt(start.learned, start.records, start.heard)
    for line in start.lines:
        world.lines[line.line] = line
    for station in start.stations:
        world.adopt(station)
    for supply in start.supplies:
        touch_supply(world, supply)
        world.know(supply)
    for stays in start.stays:
        world.stays.adopt(stays)
    for run in start.runs:
        world.stays.runs[run.line, run.station] = run
    for standing in start.standing:
        world.stand(standing)
    world.word.clear()  # that is how it stood, nothing happened
    return world


def fold(world: World, entry: JournalEntry) -> list[Told] | None:
    """What ``floor.apply`` gives for the entry; ``None`` too for a person's act on a notice that isn't there,
    from before the recording or by another version of the program. ``Misfit`` when it isn't one of ours."""
    if entry.kind == "settings":
        return floor.change_policy(world, policy_of(entry.data), entry.at)
    address, message = read_entry(entry)
    try:
        return floor.apply(
            world, message, line=address.line, station=address.station, at=entry.at, retained=entry.retained
        )
    except (KeyError, Taken):
        if not isinstance(message, PersonAct):
            raise
        return None


def policy_of(data: bytes | msgspec.Raw) -> Policy:
    """The settings that an entry or a start state tells. Raises ``Misfit``."""
    try:
        return msgspec.json.decode(data, type=Policy)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError) as error:
        raise Misfit(f"not settings of ours: {error}") from None
