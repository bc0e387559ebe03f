"""What a message of IPC-2591 (CFX) says, in few words: places, reels and parts, checked once and for all.

Whatever is wrong with a message is found here, before anything is remembered of it. A location on the machine
is a slot. On a feeder with several lanes the lanes beyond the first are slots of their own, ``45-2``: the
first is numbered on feeders with one lane too, so its number can't be told from none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec

from service.domain.events import MOST
from service.wire.cfx_messages import Carrier, Consumed, Fault, Installed, Location, Package
from service.wire.cfx_states import PLACEMENT_FAULTS, SEVERITIES, WHEREABOUTS, word_of
from service.wire.native import Misfit, clean_name

SlotName = Literal["identifier", "name"]
MOST_USED = 10**9
"""Parts in one entry of a message: more is a slip of somebody's."""
MOST_REELS = 16
"""In one chain; more is nobody's tape."""
_FIRST_LANE = 1
_STOPS = ("Error", "Alarm")
_SUPPLY: Mapping[str, Literal["out", "low"]] = {
    "PartsExhaust": "out",
    "PartsPartiallyExhaust": "out",
    "LowQuantity": "low",
}
_CARRIERS = {
    "SMDTapeFeeder": "tape",
    "SMDTrayFeeder": "tray",
    "SMDMultiTrayFeeder": "tray",
    "SMDTubeFeeder": "stick",
    "SMDBulkCaseFeeder": "bulk",
}


class Reel(msgspec.Struct, array_like=True, frozen=True):
    """One supply: ``name`` is empty where it has none of its own, ``quantity`` what was in it when it was
    last told, ``grey`` the parts around a joint of which nobody knows from which tape they are."""

    name: str = ""
    part: str | None = None
    lot: str | None = None
    quantity: int | None = None
    grey: int = 0


class Place(NamedTuple):
    """Where a supply is: in a slot, in a carrier (of a base that may carry several), or in both."""

    slot: str | None = None
    carrier: str = ""
    base: str = ""
    kind: str | None = None


class Used(NamedTuple):
    """What left a slot: ``lost`` is ``None`` where nobody said; ``left`` is what was there afterwards.
    ``reels``: those in the slot, the one that is consumed first."""

    place: Place
    reels: tuple[Reel, ...]
    placed: int
    lost: int | None
    left: int | None = None


class Trouble(NamedTuple):
    """A fault: ``means`` is what it says of a slot or a station, ``None``: nothing that stops it."""

    name: str
    means: Literal["out", "low", "stopped"] | None
    place: Place


class Reader:
    """``slots``: whether a slot is called by its location's identifier or by its name where it has one."""

    def __init__(self, slots: SlotName) -> None:
        self._by_name = slots == "name"

    def place(self, location: Location) -> Place:
        named = location.location_name if self._by_name else None
        slot = named or location.location_identifier or None
        carrier = location.carrier_information
        if carrier is None:
            return Place(None if slot is None else fit(slot, "location"))
        lane = carrier.lane_number or _FIRST_LANE
        if slot is not None:
            slot = fit(slot if lane == _FIRST_LANE else f"{slot}-{lane}", "location")
        carried_by = carrier.unique_identifier or "", carrier.base_unique_identifier or ""
        return Place(slot, *carried_by, _kind(carrier))

    def consumed(self, entries: Iterable[Consumed]) -> list[Used]:
        """Of each slot what was used; entries whose amounts aren't whole (paste, glue) aren't parts."""
        found = []
        for entry in entries:
            location = entry.material_location
            placed, lost = _parts(entry.quantity_used), _parts(entry.quantity_spoiled or 0.0)
            place = self.place(location)
            if placed is not None and lost is not None:
                spoiled = None if entry.quantity_spoiled is None else lost
                reels = reels_of(location.material_package)
                found.append(Used(place, reels, placed, spoiled, _left(entry)))
        return found

    def installed(self, entries: Iterable[Installed]) -> list[Used]:
        """The same of what was installed on units. Parts that went back to their carrier didn't leave it."""
        found = []
        for entry in entries:
            place = Place() if entry.carrier_location is None else self.place(entry.carrier_location)
            placed, lost = _parts(entry.quantity_installed), _rejected(entry)
            if placed is not None:
                found.append(Used(place, reels_of(entry.material), placed, lost))
        return found

    def held(self, location: Location) -> Used:
        """What is told to be in a place, where nothing was used."""
        reels = reels_of(location.material_package)
        left = reels[0].quantity if len(reels) == 1 else None
        return Used(self.place(location), reels, 0, None, left)

    def fault(self, fault: Fault) -> Trouble:
        location = fault.material_location
        place = Place() if location is None else self.place(location)
        kind = word_of(fault.placement_fault_type or 0, PLACEMENT_FAULTS)
        means: Literal["out", "low", "stopped"] | None = None
        if place.slot is not None and kind in _SUPPLY:
            means = _SUPPLY[kind]
        elif word_of(fault.severity, SEVERITIES) in _STOPS:
            means = "stopped"
        return Trouble(str(fault.fault_occurrence_id or ""), means, place)


@lru_cache(maxsize=65_536)
def fit(text: str, what: str) -> str:
    """A name of theirs in the characters that ours may have: the others become dashes. Raises ``Misfit``."""
    return clean_name(re.sub(r"[^\w.-]", "-", text.strip()), what)


def reels_of(package: Package | None) -> tuple[Reel, ...]:
    """The reels of a chain, the one that is consumed first before the one that was joined last."""
    chain: list[Reel] = []
    while package is not None:
        if len(chain) == MOST_REELS:
            raise Misfit(f"more than {MOST_REELS} packages are joined to one")
        chain.append(
            Reel(
                package.unique_identifier or "",
                package.internal_part_number or None,
                package.batch_id or None,
                _known(package.quantity),
                _known(package.grey_zone) or 0,
            )
        )
        package = package.leading_material_package
    return tuple(reversed(chain))


def _kind(carrier: Carrier) -> str | None:
    """``CFX.Structures.SMTPlacement.SMDTapeFeeder, CFX``: what it carries, by the class."""
    return _CARRIERS.get((carrier.type or "").partition(",")[0].rpartition(".")[2])


def _parts(amount: float) -> int | None:
    """A number of parts; ``None``: a fraction of something. Raises ``Misfit``."""
    if not 0 <= amount <= MOST_USED:
        raise Misfit(f"{amount:g} parts can't have left a slot: expected 0 to {MOST_USED}")
    return int(amount) if amount.is_integer() else None


def _known(amount: float | None) -> int | None:
    """What is said to be there, where it can be a number of parts."""
    if amount is None or not 0 <= amount <= MOST or not amount.is_integer():
        return None
    return int(amount)


def _left(entry: Consumed) -> int | None:
    """What was left afterwards. None at all in a supply that holds some is a machine that doesn't know."""
    package = entry.material_location.material_package
    held = None if package is None else _known(package.quantity)
    left = _known(entry.remaining_quantity)
    return held if left is None or (left == 0 and held) else left


def _rejected(entry: Installed) -> int | None:
    """Parts that were picked and aren't on the unit, nor back in their carrier; where nobody says where one
    went it is lost. ``None``: nothing is said of them (before revision 1.4 nothing could be)."""
    told = entry.non_installed_components or []
    back = sum(word_of(each.location, WHEREABOUTS) == "MaterialCarrier" for each in told)
    if entry.quantity_non_installed is None and not told:
        return None
    missing = max(_parts(entry.quantity_non_installed or 0.0) or 0, len(told))
    return max(0, missing - back)
