"""Codes and words of IPC-2591 (CFX): the states of a resource after SEMI E10 and E58, what closed sets mean
by their numbers, and durations.

A code that a maker added stands for the one above it: 3312 is a kind of 3300 where there is one, else of
3000; a code that stands for nothing is non-scheduled time.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from service.domain.model import SECOND, Instant
from service.wire.native import Misfit

PRODUCTIVE, UNSCHEDULED_DOWN, NON_SCHEDULED = 1000, 5000, 6000
OUT_OF_SUPPLY = 5500
"""Supply material is empty and needs to be changed."""

_STATES = {
    "PRD": 1000,
    "PRD_RegularWork": 1100,
    "PRD_WorkForThirdParties": 1200,
    "PRD_Rework": 1300,
    "PRD_Engineering": 1400,
    "SBY": 2000,
    "SBY_NoOperator": 2100,
    "SBY_NoProduct": 2200,
    "SBY_NoProductBlocked": 2201,
    "SBY_NoProductStarved": 2202,
    "SBY_NoSupportTool": 2300,
    "SBY_AssociatedClusterModuleDown": 2400,
    "SBY_NoHost": 2500,
    "ENG": 3000,
    "ENG_ProcessExperiments": 3100,
    "ENG_EquipmentExperiments": 3200,
    "SDT": 4000,
    "SDT_UserMaintenanceDelay": 4100,
    "SDT_SuppliedMaintenanceDelay": 4200,
    "SDT_PreventiveMaintenance": 4300,
    "SDT_ChangeOfConsumables": 4400,
    "SDT_Setup": 4500,
    "SDT_ProductionTest": 4600,
    "SDT_FacilitiesRelated": 4700,
    "USD": 5000,
    "USD_UserMaintentanceDelay": 5100,
    "USD_SuppliedMaintenanceDelay": 5200,
    "USD_Repair": 5300,
    "USD_OutOfSpecInputMaterial": 5400,
    "USD_ChangeOfConsumables": 5500,
    "USD_FacilitiesRelated": 5600,
    "NST": 6000,
    "NST_UnworkedShifts": 6100,
    "NST_EquipmentInstallation": 6200,
    "NST_EquipmentModifications": 6300,
    "NST_OfflineTraining": 6400,
    "NST_ShutdownAndStartup": 6500,
}
_OF_OLD = {"22A0": 2201, "22B0": 2202}
_CODES = frozenset(_STATES.values())

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
    """The standard's code of a state, from its code or its name. Raises ``Misfit`` for any other word."""
    text = str(said).strip()
    code = _STATES.get(text) or _OF_OLD.get(text.upper())
    if code is None:
        if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
            raise Misfit(f"no state of a resource is called {text[:80]!r}")
        code = int(text)
    levels = (code, code // 100 * 100, code // 1000 * 1000)
    return next((level for level in levels if level in _CODES), NON_SCHEDULED)


def category(state: int) -> int:
    """Which of the six basic states it belongs to, as its code."""
    return state // 1000 * 1000


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
