"""Matrix trays: rows and columns of cells, several trays in a stack, taken from row by row.

Where the next part is follows from how many cells were passed. A tray may have empty cavities, so its cells
are the most that can be in it. Rows and columns are counted from 0 here. Knows no slots.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

MOST_LINES = 1_000
MOST_STACK = 100


class Matrix(msgspec.Struct, frozen=True):
    """How a tray is divided, and how many lie on one another."""

    rows: int
    columns: int
    stack: int = 1

    @property
    def each(self) -> int:
        """Cells of one tray."""
        return self.rows * self.columns

    @property
    def cells(self) -> int:
        """Cells of the whole stack."""
        return self.each * self.stack


class Stack(msgspec.Struct, array_like=True, frozen=True):
    """A stack in use. ``start`` cells had been passed when somebody last said how many parts there are,
    ``None``: not known. ``by_cells``: nobody counted parts, the quantity is that of the cells."""

    matrix: Matrix
    start: int | None = 0
    by_cells: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """``tray`` of the stack, the first is 0."""

    tray: int
    row: int
    column: int


def next_cell(matrix: Matrix, passed: int) -> Cell | None:
    """Where the next part is; ``None`` once all were passed."""
    if not 0 <= passed < matrix.cells:
        return None
    tray, within = divmod(passed, matrix.each)
    return Cell(tray, *divmod(within, matrix.columns))


def passed_before(matrix: Matrix, row: int, column: int) -> int:
    """Cells before this one of the first tray."""
    return row * matrix.columns + column


def left_in(matrix: Matrix, passed: int) -> int:
    """Cells still to come, through the whole stack; the most parts that can be left."""
    return max(0, matrix.cells - passed)


def surplus(matrix: Matrix, quantity: int | None) -> int:
    """By how many parts a declared quantity is more than the cells can hold; 0: it fits."""
    return 0 if quantity is None else max(0, quantity - matrix.cells)


@dataclass(frozen=True, slots=True)
class Filling:
    """What a message said of trays; ``passed``: cells before the next one, ``None`` where it said nothing."""

    matrix: Matrix
    passed: int | None


def read_trays(raw: object, usual: Matrix | None) -> Filling | None:
    """What ``trays`` of a supply message says, what it leaves out taken from ``usual``; ``None`` where that
    makes no tray. ``next`` is the next cell of the first tray, ``partial`` how many of its cells still hold
    a part, where nobody says which."""
    if not isinstance(raw, Mapping):
        return None
    rows = _whole(raw.get("rows", usual and usual.rows), MOST_LINES)
    columns = _whole(raw.get("columns", usual and usual.columns), MOST_LINES)
    stack = _whole(raw.get("stack", usual.stack if usual else 1), MOST_STACK)
    if rows is None or columns is None or stack is None:
        return None
    matrix = Matrix(rows, columns, stack)
    return Filling(matrix, _passed(matrix, raw))


def _passed(matrix: Matrix, raw: Mapping[object, object]) -> int | None:
    cell, partial = raw.get("next"), raw.get("partial")
    if isinstance(cell, list | tuple) and len(cell) == 2:
        row, column = (_whole(each, limit, least=0) for each, limit in zip(cell, _ends(matrix), strict=True))
        if row is not None and column is not None:
            return passed_before(matrix, row, column)
    full = _whole(partial, matrix.each, least=0)
    return None if full is None else matrix.each - full


def _ends(matrix: Matrix) -> tuple[int, int]:
    return matrix.rows - 1, matrix.columns - 1


def _whole(value: object, most: int, *, least: int = 1) -> int | None:
    if isinstance(value, bool) or not isinstance(value, int):
        return None
    return value if least <= value <= most else None
