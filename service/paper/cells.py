"""Cells of a sheet that people open in a spreadsheet."""

from __future__ import annotations

_FORMULA = tuple("=+-@\t\r\n＝＋－＠")
"""What a spreadsheet takes a cell for a formula by (OWASP, CSV Injection), in full width as well."""


def cell(value: object) -> object:
    """As it stands in a sheet: what a spreadsheet would take for a formula begins with an apostrophe; nothing
    known is an empty cell."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}"
    return "" if value is None else value
