"""Codes and words of IPC-2591 (CFX): the states of a resource after SEMI E10 and E58, what closed sets mean
by their numbers, and durations.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from service.domain.model import SECOND, Instant
from service.wire.native import Misfit

_BASIC = {"PRD": 1000, "SBY": 2000, "ENG": 3000, "SDT": 4000, "USD": 5000, "NST": 6000}
PRODUCTIVE, UNSCHEDULED_DOWN, NON_SCHEDULED = _BASIC["PRD"], _BASIC["USD"], _BASIC["NST"]
OUT_OF_SUPPLY = 5500
"""Supply material is empty and needs to be changed."""
_OUT_OF_SUPPLY = "USD_ChangeOfConsumables"
_CODE = re.compile(r"\d{1,9}|22[ab]0", re.ASCII | re.IGNORECASE)
"""22A0 and 22B0 are codes of old."""

SEVERITIES = ("Information", "Warning", "Error", "Alarm")
RESULTS = ("Completed", "Failed", "Aborted", "Skipped")
WHEREABOUTS = ("Lost", "MaterialCarrier", "RejectionBox")
PLACEMENT_FAULTS = (
    "VacuumError",
    "XAxisError",
    "YAxisError",
    "ZAxisError",
    "RecognitionError",
    "PickupError",
    "PlacementError",
    "LightingError",
    "HeadError",
    "NozzleError",
    "ComponentDropped",
    "PartsExhaust",
    "FiducialError",
    "PartsPartiallyExhaust",
    "LowQuantity",
    "FeederError",
)
_DURATION = re.compile(r"(?:(\d{1,8})\.)?(\d{1,2}):(\d{2}):(\d{2})(?:\.(\d{1,7}))?", re.ASCII)


def read_state(said: str | int) -> int:
    """The code of the basic state that a code or a name belongs to, but ``OUT_OF_SUPPLY`` with its own. What
    a maker added stands for what is above it, 5512 for 5500 and 3312 for 3000; a code that stands for nothing
    is non-scheduled time. Raises ``Misfit`` for any other word."""
    text = str(said).strip()
    if (named := _BASIC.get(text.partition("_")[0])) is not None:
        return OUT_OF_SUPPLY if text == _OUT_OF_SUPPLY else named
    if _CODE.fullmatch(text) is None:
        raise Misfit(f"no state of a resource is called {text[:80]!r}")
    level = int(text[:-2] or 0)
    if level == OUT_OF_SUPPLY // 100:
        return OUT_OF_SUPPLY
    basic = level // 10 * 1000
    return basic if basic in _BASIC.values() else NON_SCHEDULED


def word_of(said: str | int, words: Sequence[str]) -> str:
    """A word of a closed set that may be said by its number; one that we don't know stays as it is."""
    if isinstance(said, int):
        return words[said] if 0 <= said < len(words) else str(said)
    return said


def read_duration(text: str) -> Instant:
    """Microseconds in ``d.hh:mm:ss.fffffff`` (days and fraction may be missing). Raises ``Misfit``."""
    found = _DURATION.fullmatch(text)
    if found is None:
        raise Misfit(f"{text[:80]!r} isn't a duration: expected d.hh:mm:ss.fffffff")
    days, hours, minutes, seconds, fraction = (part or "0" for part in found.groups())
    whole = ((int(days) * 24 + int(hours)) * 60 + int(minutes)) * 60 + int(seconds)
    return whole * SECOND + int(fraction.ljust(7, "0")) // 10
