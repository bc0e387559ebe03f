"""What is shown of a floor life and of a tray: the objects of the contract, from what is remembered."""

from __future__ import annotations

from service.domain import opened, stacks
from service.domain.model import Instant, rfc3339_or_none, to_rfc3339
from service.domain.moisture import HOUR, FloorLife
from service.domain.state import SlotState
from service.domain.trays import surplus
from service.domain.world import World

Json = dict[str, object]


def life_object(life: FloorLife | None, as_of: Instant) -> Json | None:
    """``left_hours`` are as of ``as_of``; while ``ends_at`` is given the clock runs, else it stands."""
    if life is None:
        return None
    return {
        "state": life.state,
        "lies": life.lies,
        "since": rfc3339_or_none(life.since),
        "level": life.level,
        "unlimited": life.unlimited,
        "limit_hours": _hours(life.limit),
        "used_hours": _hours(life.used),
        "left_hours": _hours(life.left),
        "ends_at": rfc3339_or_none(life.ends_at),
        "at_most_hours": _hours(life.at_most),
        "over_by": rfc3339_or_none(life.over_by),
        "resets_at": rfc3339_or_none(life.resets_at),
        "reason": life.reason,
        "as_of": to_rfc3339(as_of),
    }


def life_in_slot(world: World, slot: SlotState) -> Json | None:
    """As of when it was last looked at: an end that time alone brings is looked at."""
    if slot.aged_at is None:
        return None
    return life_object(opened.life_in(world, slot, slot.aged_at), slot.aged_at)


def tray_object(slot: SlotState) -> Json | None:
    """Rows and columns from 0, as in messages. ``next``: the cell of the next part, and which ``tray`` of the
    stack it is in (the first is 1); ``None`` where that isn't known or nothing is left."""
    tray = slot.tray
    if tray is None:
        return None
    matrix, cell = tray.matrix, stacks.cell_of(slot)
    return {
        "rows": matrix.rows,
        "columns": matrix.columns,
        "stack": matrix.stack,
        "cells": matrix.cells,
        "tray": None if cell is None else cell.tray + 1,
        "next": None if cell is None else [cell.row, cell.column],
        "by_cells": tray.by_cells,
        "empty_cavities": slot.empty,
        "too_many": surplus(matrix, slot.declared),
    }


def _hours(span: Instant | None) -> float | None:
    return None if span is None else round(span / HOUR, 3)
