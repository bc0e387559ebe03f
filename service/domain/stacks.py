"""The stack of trays in a slot: which it is after a load or a count, and at which of its cells it stands."""

from __future__ import annotations

from service.domain.policy import SlotRule
from service.domain.state import SlotState
from service.domain.trays import Cell, Filling, Stack, left_in, next_cell, read_trays


def filling_of(slot: SlotState, rule: SlotRule, raw: object) -> Filling | None:
    """What ``trays`` of a supply message says; the division of what was there before goes for what it leaves
    out."""
    if raw is None:
        return None
    usual = rule.tray or (None if slot.tray is None else slot.tray.matrix)
    return read_trays(raw, usual)


def quantity_of(filling: Filling) -> int:
    """The most parts that trays so filled can hold."""
    return left_in(filling.matrix, filling.passed or 0)


def load(slot: SlotState, rule: SlotRule, filling: Filling | None, *, said: bool) -> None:
    """A stack begins; call when the quantity is declared. ``said``: somebody said the parts, else they are
    what its cells can hold. Where they are fewer and nobody says which cell is next, that isn't known."""
    matrix = rule.tray if filling is None else filling.matrix
    slot.empty = 0
    if matrix is None or slot.kind not in (None, "tray"):
        slot.tray = None
        return
    start = None if filling is None else filling.passed
    if start is None and slot.declared is not None and slot.declared >= matrix.cells:
        start = 0
    by_cells = not said and start is not None and slot.declared == left_in(matrix, start)
    slot.tray = Stack(matrix, start, by_cells)


def count(slot: SlotState, rule: SlotRule, filling: Filling | None, passed: int | None) -> None:
    """A person counted the parts; where nobody says the cell, it stands where it stood (``passed``)."""
    if filling is not None:
        load(slot, rule, filling, said=True)
    elif slot.tray is not None:
        slot.tray, slot.empty = Stack(slot.tray.matrix, passed), 0


def passed(slot: SlotState) -> int | None:
    """Cells passed, through the whole stack; ``None`` where that isn't known."""
    tray = slot.tray
    if tray is None or tray.start is None:
        return None
    return tray.start + slot.counted + (0 if tray.by_cells else slot.empty)


def cell_of(slot: SlotState) -> Cell | None:
    """Where the next part is, as far as the counts go."""
    cells = passed(slot)
    return None if cells is None or slot.tray is None else next_cell(slot.tray.matrix, cells)


def pass_empty(slot: SlotState, cavities: int) -> int:
    """Picks found so many cavities empty: nothing was used, but where the quantity is that of the cells there
    are so many parts fewer. The parts that are gone from the books."""
    slot.empty += cavities
    if slot.removed or slot.tray is None or not slot.tray.by_cells:
        return 0
    slot.counted += cavities
    return cavities
