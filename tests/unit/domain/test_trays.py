"""Matrices of JEDEC trays from memory, checked against the length of their outline: twice the edge and the
pitches between come to 315 mm."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.trays import (
    MOST_LINES,
    Cell,
    Filling,
    Matrix,
    left_in,
    next_cell,
    passed_before,
    read_trays,
    surplus,
)


@pytest.mark.parametrize(
    ("rows", "columns", "cells"), [(10, 25, 250), (8, 20, 160), (6, 15, 90), (5, 12, 60), (4, 10, 40)]
)
def test_a_tray_holds_rows_times_columns(rows, columns, cells):
    assert Matrix(rows, columns).cells == cells
    assert Matrix(rows, columns, 3).cells == 3 * cells


def test_left_are_the_cells_from_the_next_one_on():
    matrix = Matrix(8, 20)
    assert left_in(matrix, passed_before(matrix, 3, 5)) == (8 - 3) * 20 - 5 == 95


def test_a_partial_first_tray_has_full_ones_below():
    said = read_trays({"rows": 8, "columns": 20, "stack": 3, "next": [3, 5]}, None)
    assert said == Filling(Matrix(8, 20, 3), 65)
    assert left_in(said.matrix, said.passed or 0) == 95 + 2 * 160


def test_what_is_left_of_the_first_tray_says_which_cell_is_next():
    said = read_trays({"rows": 8, "columns": 20, "partial": 95}, None)
    assert said is not None
    assert next_cell(said.matrix, said.passed or 0) == Cell(0, 3, 5)


def test_what_a_message_leaves_out_is_as_configured():
    assert read_trays({"next": [0, 1]}, Matrix(8, 20, 2)) == Filling(Matrix(8, 20, 2), 1)
    assert read_trays({"stack": 1}, Matrix(8, 20, 2)) == Filling(Matrix(8, 20, 1), None)


@pytest.mark.parametrize(
    "junk", [None, 5, "8x20", [8, 20], {}, {"rows": 8}, {"rows": 8, "columns": 20, "stack": 0}]
)
def test_what_makes_no_tray_is_none(junk):
    assert read_trays(junk, None) is None


@pytest.mark.parametrize("rows", [0, -8, "8", True, 8.0, None, MOST_LINES + 1])
def test_rows_are_a_whole_number_within_bounds(rows):
    assert read_trays({"rows": rows, "columns": 20}, None) is None


@pytest.mark.parametrize("junk", [[8, 0], [0, 20], [-1, 0], [0], "00", {"row": 1}, [None, None], [True, 1]])
def test_a_next_cell_outside_the_tray_isnt_known(junk):
    assert read_trays({"rows": 8, "columns": 20, "next": junk}, None) == Filling(Matrix(8, 20), None)


def test_more_parts_than_cells_are_told_apart():
    """The example that the IPC-2591 (CFX) SDK 880255d gives: 8 x 3 cells, 151 parts."""
    assert surplus(Matrix(8, 3), 151) == 127
    assert surplus(Matrix(8, 20), 160) == surplus(Matrix(8, 20), None) == 0


@given(rows=st.integers(1, 30), columns=st.integers(1, 30), stack=st.integers(1, 5), data=st.data())
def test_each_cell_is_passed_once_row_by_row_and_tray_by_tray(rows, columns, stack, data):
    matrix = Matrix(rows, columns, stack)
    passed = data.draw(st.integers(0, matrix.cells))
    cell = next_cell(matrix, passed)
    if cell is None:
        assert passed == matrix.cells
        return
    before = cell.tray * matrix.each + passed_before(matrix, cell.row, cell.column)
    assert before == passed
    full_below = (matrix.stack - cell.tray - 1) * matrix.each
    assert left_in(matrix, passed) == (rows - cell.row) * columns - cell.column + full_below
