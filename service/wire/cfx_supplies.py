"""Supplies of IPC-2591 (CFX) stations: what is in which slot, and what our contract says when that changes.

A spliced tape is a chain: the standard names it by the reel that was joined last, and consumes the other end
first. A joint passes when the splice is detected or when the tape before it is told to be empty; a slot is
out only when the last of its chain is. What is loaded is known by the names of reels and carriers, so that a
message without a place (joined, modified, unloaded) finds its slot.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import msgspec

from service.domain.events import MOST
from service.domain.model import Instant
from service.wire.cfx_read import MOST_REELS, Place, Reel, Used
from service.wire.cfx_slots import Slot, has_left, hold
from service.wire.cfx_turn import Turn
from service.wire.gateway import Memory

MOST_CARRIERS = 20_000
"""That are remembered while they are in no slot."""


class Carrier(msgspec.Struct, array_like=True):
    """A feeder outside of any slot, with what is in it."""

    reels: tuple[Reel, ...] = ()


class Change(NamedTuple):
    """A supply message of our contract for the slot at ``key`` (``line/station/slot``)."""

    key: str
    body: dict[str, Any]


class Supplies:
    def __init__(self, slots: Memory[Slot], carriers: Memory[Carrier]) -> None:
        self._slots = slots
        self._carriers = carriers
        self._places: dict[str, str] | None = None

    def begin_anew(self) -> None:
        """The slots may be others than were seen here."""
        self._places = None

    def find(self, *names: str) -> str | None:
        """The key of the slot that holds a supply of one of these names."""
        known = self._where()
        return next((key for name in names if (key := known.get(name)) is not None), None)

    def placed(self, station: str, used: Iterable[Used]) -> list[Used]:
        """With the slots of the station that their supplies are known to be in, where none is told; those
        that are in none are left out."""
        found = []
        for each in used:
            if each.place.slot:
                found.append(each)
                continue
            key = self.find(*(reel.name for reel in each.reels)) or ""
            if key.startswith(f"{station}/"):
                found.append(each._replace(place=each.place._replace(slot=key.rpartition("/")[2])))
        return found

    def load(self, key: str | None, place: Place, reels: tuple[Reel, ...], turn: Turn) -> list[Change]:
        """Reels are loaded into a slot; ``key`` is ``None``: into a carrier that is in none."""
        if key is None:
            if place.carrier:
                self._keep(place.carrier, reels)
            return []
        if (slot := self._open(key, turn)) is None:
            return []
        slot.carrier, slot.base = place.carrier, place.base
        self._hold(key, slot, reels, turn.when)
        first = reels[0] if reels else Reel()
        return [
            Change(key, _told("loaded", first, place.kind)),
            *(Change(key, _told("joined", reel, place.kind)) for reel in reels[1:]),
        ]

    def load_carrier(self, key: str, place: Place, turn: Turn) -> list[Change]:
        """A carrier is put into a slot, with all that was put into it before; what nobody told isn't said."""
        if (slot := self._open(key, turn)) is None:
            return []
        held = self._carriers.seen(place.carrier)
        if held is not None and held.reels:
            self._carriers.forget(place.carrier)
            return self.load(key, place, held.reels, turn)
        slot.carrier, slot.base = place.carrier, place.base
        self._hold(key, slot, (), turn.when)
        return []

    def see(self, key: str, used: Used, turn: Turn) -> list[Change]:
        """What a message shows to be in a slot beside what it says: others than we knew of were loaded or
        joined, and we weren't told."""
        known = {reel.name for reel in slot.reels} if (slot := self._slots.seen(key)) else set()
        names = [reel.name for reel in used.reels]
        if not names or not all(names) or known.issuperset(names):
            return []
        slot = self._open(key, turn)
        if slot is None or has_left(slot, used, turn.when):
            return []
        if known.isdisjoint(names):
            return self.load(key, used.place, _before(used), turn)
        new = used.reels[1 + max(names.index(name) for name in known if name in names) :]
        return [change for reel in new for change in self._join(key, slot, reel, turn.when)]

    def join(self, leading: tuple[Reel, ...], reel: Reel, turn: Turn) -> list[Change]:
        """A reel was joined behind another; in no slot yet: in its carrier."""
        names = [each.name for each in leading if each.name]
        key = self.find(*names)
        if key is not None:
            slot = self._open(key, turn)
            return [] if slot is None else self._join(key, slot, reel, turn.when)
        for name, held in self._carriers.items():
            if not {each.name for each in held.reels}.isdisjoint(names) and len(held.reels) < MOST_REELS:
                self._carriers.of(name).reels = (*held.reels, reel)
        return []

    def splice(self, key: str, place: Place, reel: Reel, turn: Turn) -> list[Change]:
        """A joint passed: ``reel`` is consumed now, and all before it is gone."""
        if (slot := self._open(key, turn)) is None:
            return []
        names = [each.name for each in slot.reels]
        if reel.name not in names:
            return self.load(key, place, (reel,), turn)
        return self._pass(
            key, slot, names.index(reel.name), turn.when, quantity=reel.quantity, grey=reel.grey
        )

    def empty(self, key: str, reels: tuple[Reel, ...], turn: Turn) -> list[Change] | None:
        """A supply is used up; ``None``: and with it the slot."""
        if (slot := self._open(key, turn)) is None:
            return []
        names = [each.name for each in slot.reels]
        gone = _used_up(reels)
        if not gone or not any(names):
            return None
        if gone not in names:
            return []
        passed = names.index(gone) + 1
        return None if passed == len(names) else self._pass(key, slot, passed, turn.when)

    def unload(self, names: Iterable[str], turn: Turn) -> list[Change]:
        """Supplies were taken out, of their slots or of their carriers."""
        gone = set(names)
        for name, held in self._carriers.items():
            if gone & {each.name for each in held.reels}:
                self._carriers.forget(name)
        return self._take_out({key for name in gone if (key := self.find(name)) is not None}, turn)

    def unload_carriers(self, names: Iterable[str], turn: Turn) -> list[Change]:
        """Carriers were taken out of their slots, or a base with all that it carries; what is in them
        stays."""
        gone = {*names} - {""}
        theirs = {key: slot for key, slot in self._slots.items() if {slot.carrier, slot.base} & gone}
        for slot in theirs.values():
            if slot.reels and slot.carrier and not turn.is_late(slot.changed):
                reels = tuple(msgspec.structs.replace(reel, quantity=None) for reel in slot.reels)
                self._keep(slot.carrier, reels)
        return self._take_out(theirs, turn)

    def recount(self, reel: Reel, turn: Turn) -> list[Change]:
        """Somebody counted how much is in a supply."""
        key = self.find(reel.name)
        if key is None or reel.quantity is None or (slot := self._open(key, turn)) is None:
            return []
        reels = list(slot.reels)
        place = [each.name for each in reels].index(reel.name)
        reels[place] = msgspec.structs.replace(reels[place], quantity=reel.quantity)
        if place > 0:
            left = slot.left if slot.of == reels[0].name else None
            reels[0] = msgspec.structs.replace(reels[0], quantity=left)
        return self._count(key, slot, tuple(reels), turn.when)

    def split(self, remaining: tuple[Reel, ...], turn: Turn) -> list[Change]:
        """A chain was opened: these reels stay."""
        key = self.find(*(reel.name for reel in remaining))
        if key is None or (slot := self._open(key, turn)) is None:
            return []
        told = {reel.name: reel for reel in remaining}
        stay = tuple(told[reel.name] for reel in slot.reels if reel.name in told)
        return [] if len(stay) == len(slot.reels) else self._count(key, slot, stay, turn.when)

    def _open(self, key: str, turn: Turn) -> Slot | None:
        """The slot to be changed; ``None``: it was changed since."""
        slot = self._slots.of(key)
        return None if turn.is_late(slot.changed) else slot

    def _keep(self, carrier: str, reels: tuple[Reel, ...]) -> None:
        if self._carriers.has_room([carrier], MOST_CARRIERS):
            self._carriers.of(carrier).reels = reels

    def _count(self, key: str, slot: Slot, reels: tuple[Reel, ...], at: Instant) -> list[Change]:
        """The first is as told, and the others come behind it."""
        self._hold(key, slot, reels, at)
        if any(reel.quantity is None for reel in reels):
            return []
        return [
            Change(key, {"change": "counted", "quantity": reels[0].quantity}),
            *(Change(key, _told("joined", reel, None)) for reel in reels[1:]),
        ]

    def _join(self, key: str, slot: Slot, reel: Reel, at: Instant) -> list[Change]:
        if reel.name in {each.name for each in slot.reels} or len(slot.reels) >= MOST_REELS:
            return []
        reels = (*slot.reels, reel)
        self._move(key, slot, reels)
        slot.reels, slot.changed = reels, at
        return [Change(key, _told("joined", reel, None))]

    def _pass(
        self, key: str, slot: Slot, joints: int, at: Instant, *, quantity: int | None = None, grey: int = 0
    ) -> list[Change]:
        if joints == 0:
            return []
        self._hold(key, slot, slot.reels[joints:], at)
        slot.of = slot.reels[0].name
        slot.left = slot.reels[0].quantity if quantity is None else quantity
        said = [Change(key, {"change": "spliced"}) for _ in range(joints)]
        if grey:
            said[-1].body["grey"] = grey
        return said

    def _take_out(self, keys: Iterable[str], turn: Turn) -> list[Change]:
        said = []
        for key in sorted(keys):
            if (slot := self._open(key, turn)) is not None:
                slot.carrier = slot.base = ""
                self._hold(key, slot, (), turn.when)
                said.append(Change(key, {"change": "removed"}))
        return said

    def _hold(self, key: str, slot: Slot, reels: tuple[Reel, ...], at: Instant) -> None:
        self._move(key, slot, reels)
        hold(slot, reels, at)

    def _move(self, key: str, slot: Slot, reels: tuple[Reel, ...]) -> None:
        """What will be in one slot is in no other any more."""
        known = self._where()
        for reel in slot.reels:
            if known.get(reel.name) == key:
                del known[reel.name]
        for reel in reels:
            other = known.get(reel.name)
            if other is not None and other != key:
                there = self._slots.of(other)
                there.reels = tuple(each for each in there.reels if each.name != reel.name)
            if reel.name:
                known[reel.name] = key

    def _where(self) -> dict[str, str]:
        """In which slot each supply is that has a name."""
        if self._places is None:
            self._places = {
                reel.name: key for key, slot in self._slots.items() for reel in slot.reels if reel.name
            }
        return self._places


def _before(used: Used) -> tuple[Reel, ...]:
    """The reels as they were before that was used."""
    first, *others = used.reels
    left = first.quantity if used.left is None or others else used.left
    before = None if left is None else min(MOST, left + used.placed + (used.lost or 0))
    return (msgspec.structs.replace(first, quantity=before), *others)


def _used_up(reels: tuple[Reel, ...]) -> str:
    """Which of a chain is told to be empty: all of it, unless its last reel still holds parts."""
    if not reels:
        return ""
    return reels[0].name if reels[-1].quantity else reels[-1].name


def _told(change: str, reel: Reel, kind: str | None) -> dict[str, Any]:
    known = {
        "kind": kind,
        "part": reel.part,
        "lot": reel.lot,
        "quantity": reel.quantity,
        "supply": reel.name or None,
    }
    return {"change": change} | {key: value for key, value in known.items() if value is not None}
