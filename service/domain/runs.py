"""Which order and recipe a station's panels are of: a run for each stretch, kept as things happen."""

from __future__ import annotations

import msgspec

from service.domain.model import Instant
from service.domain.sight import ruling_recipe
from service.domain.state import StationState
from service.domain.stays import Run
from service.domain.world import World

replace = msgspec.structs.replace


def mark(world: World, station: StationState, at: Instant) -> None:
    """From here on panels are of another order or recipe, if they are."""
    place = (station.line, station.station)
    run, known = _run_now(world, station, at), world.stays.runs.get(place)
    old = None if known is None else known.run
    if old is None and run.order is None and run.uses is None:
        return
    if old is None and run.order is not None:
        run = replace(run, since=run.base)  # it ran here before anything was kept
    if old is not None and old.is_like(run):
        return
    if old is not None and old.since < run.since:
        world.stays.write_run(place, replace(old, until=run.since))
    world.stays.write_run(place, run)
    world.stays.run_now(place, run)


def mark_line(world: World, line: str, at: Instant) -> None:
    for station in world.stations_of(line):
        mark(world, station, at)


def _run_now(world: World, station: StationState, at: Instant) -> Run:
    line = world.line(station.line)
    recipe = ruling_recipe(line, station)
    order = line.orders.get(station.order) if station.order is not None else None
    named = order.recipe if order is not None and order.recipe is not None else None
    return Run(
        station.order,
        named or (None if recipe is None else recipe.name or None),
        station.progress,
        station.progress - station.order_done if station.order is not None else 0,
        at,
        station.order_start_seen,
        None if recipe is None else sorted(name for name, usage in recipe.usage.items() if usage),
        [] if recipe is None else [sorted(set(names)) for names in recipe.alternates if len(names) > 1],
    )
