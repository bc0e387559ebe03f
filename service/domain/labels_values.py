"""The values on labels that are more than text: how many parts, and the moisture sensitivity level."""

from __future__ import annotations

import re

MSL = r"1|2|2[aA]|3|4|5|5[aA]|6"
"""IPC/JEDEC J-STD-020, table 5-1, as MH10.8.2 quotes it for 13E."""
# Units that mean pieces: X12 element 355 (EA, PC, UN), UN/ECE recommendation 20 (C62, H87) and what people
# write; all from memory.
_QUANTITY = re.compile(
    r"([0-9]{1,16})(?:\.0{1,6})? {0,3}(?:EA|PCE?|PCS|PZ|STK?|UN|C62|H87)?\.?", re.IGNORECASE
)
_MOST = 2**53 - 1


def quantity_in(value: str) -> int | None:
    """A whole number of parts, with or without its unit; ``None`` for anything else, and for 0: a supply
    without parts is none, so the label doesn't say how many there are."""
    found = _QUANTITY.fullmatch(value)
    if found is None:
        return None
    number = int(found[1])
    return number if 0 < number <= _MOST else None


def level_in(value: str) -> str | None:
    """``2a`` as J-STD-020 writes it, also for ``2A`` and ``MSL 2A``; ``None`` for anything else."""
    found = re.fullmatch(rf"(?:MSL)?[ -]?({MSL})", value.strip(), re.IGNORECASE)
    return None if found is None else found[1].lower()
