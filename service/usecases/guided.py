"""What a guided exchange shows: what the slot wants, cautions and steps, whether a boundary is now; and what
is to be said of a label before anything is loaded. Changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import msgspec

from service.desk import Read
from service.domain import checklists, fitting, notices, opened, undo, wrong_part
from service.domain.boundary import boundary
from service.domain.fitting import Fit, Verdict, Wanted
from service.domain.model import Instant, to_rfc3339
from service.domain.moisture import FloorLife
from service.domain.outcome import is_boundary_only
from service.domain.ready import stands_ready
from service.domain.said import Said, put
from service.domain.state import LineState, SlotState, StationState, SupplyState
from service.domain.world import World

Json = dict[str, object]
_HOUR = 3_600_000_000


@dataclass(frozen=True, slots=True)
class Place:
    """A slot that somebody is about to exchange, and when that is."""

    world: World
    station: StationState
    slot: SlotState
    at: Instant

    @property
    def kind(self) -> str | None:
        return self.slot.kind or self.world.sights_of(self.station)[self.slot.name].rule.kind

    @property
    def holds(self) -> int | None:
        """The most, or the usual quantity: what is configured."""
        rule = self.world.sights_of(self.station)[self.slot.name].rule
        return rule.tray.cells if rule.tray is not None else rule.full

    def wanted(self) -> Wanted:
        usual = self.world.sights_of(self.station)[self.slot.name].rule.part
        return fitting.wanted_in(self._line, self.station, self.slot.name, usual=usual)

    def fit(self, part: str | None) -> Fit:
        usual = self.world.sights_of(self.station)[self.slot.name].rule.part
        policy = self.world.policy
        return fitting.in_slot(self._line, self.station, self.slot, part, policy, usual, at=self.at)

    @property
    def _line(self) -> LineState:
        return self.world.line(self.station.line)

    def say(self, said: Said) -> Json:
        """The sentence in English, and as it can be put into a language."""
        message = put(said, ZoneInfo(self.world.policy.timezone))
        return {"message": message, "said": msgspec.to_builtins(said)}


def place_in(world: World, line: str, station: str, slot: str, at: Instant) -> Place | None:
    """``None``: nobody has heard of such a slot."""
    found = world.stations.get((line, station))
    if found is None or slot not in found.slots:
        return None
    return Place(world, found, found.slots[slot], at)


def exchange_object(place: Place) -> Json:
    """What a person needs before and while they exchange the slot's supply."""
    slot, station = place.slot, place.station
    wanted, kind = place.wanted(), place.kind
    wrong = wrong_part.find(place.world, station, slot.name)
    live = slot.notice if notices.is_live(slot.notice) else None
    needed = _needs_boundary(place)
    return {
        "line": station.line,
        "station": station.station,
        "slot": slot.name,
        "kind": kind,
        "loaded": None if slot.removed else slot.part,
        "wanted": _wanted_object(place, wanted),
        "bring": place.say(notices.one_supply(kind, wanted.part)),
        "ready": 0
        if wanted.part is None
        else stands_ready(place.world.line(station.line), wanted.part, kind),
        "usual_quantity": place.holds,
        "boundary": _boundary_object(place),
        "cautions": [place.say(said) for said in checklists.cautions(boundary_only=needed)],
        "ways": [_way(place, change, kind) for change in _changes(place, kind)],
        "notice": None if live is None else live.id,
        "wrong_part": None if wrong is None else wrong.id,
        "undo": _undo_object(place),
    }


def check_object(place: Place, read: Read) -> Json:
    """The verdict on a supply that was shown, and what else is to be known before it is loaded."""
    known = _known(place.world, read.supply)
    part = read.part or (None if known is None else known.part)
    fit = judge(place, part, read.supply)
    warnings = [said for said in _warnings(place, read, known) if said is not None]
    return {
        "verdict": fit.verdict.value,
        **place.say(fit.said),
        "read": msgspec.to_builtins(read) | {"part": part},
        "wanted": _wanted_object(place, place.wanted()),
        "boundary": _boundary_object(place),
        "usual_quantity": place.holds,
        "quantity": _quantity(place, read, known),
        "warnings": [place.say(said) for said in warnings],
    }


def judge(place: Place, part: str | None, supply: str | None) -> Fit:
    """Whether the part belongs there; and of one that does, whether its floor life is over."""
    fit = place.fit(part)
    life = None if fit.verdict is Verdict.WRONG else _life(place, part, supply)
    if life is None or life.state != "expired":
        return fit
    if life.reason == "bake":
        said = Said(
            "{part} must be baked before it is used: not to be loaded as it is.", {"part": part or ""}
        )
        return Fit(Verdict.EXPIRED, said)
    said = Said(
        "The floor life of {part} is over: not to be loaded before it was baked.", {"part": part or ""}
    )
    return Fit(Verdict.EXPIRED, said)


def _life(place: Place, part: str | None, supply: str | None) -> FloorLife | None:
    return opened.life_of(place.world, supply, place.at, part=part)


def _known(world: World, supply: str | None) -> SupplyState | None:
    return world.supplies.get(supply) if supply is not None else None


def _needs_boundary(place: Place) -> bool:
    return is_boundary_only(place.slot, place.world.sights_of(place.station)[place.slot.name])


def _boundary_object(place: Place) -> Json:
    found = boundary(place.station, place.slot, place.at, needed=_needs_boundary(place))
    return {
        "needed": found.needed,
        "now": found.now,
        "panels": None if found.seconds is None else 1,
        "seconds": None if found.seconds is None else round(found.seconds, 1),
        "every_seconds": None if found.every is None else round(found.every, 1),
        "last_panel_at": None if found.last is None else to_rfc3339(found.last),
        **place.say(found.said),
    }


def parts_for(place: Place) -> list[str]:
    """The parts that may be meant by a label: what the slot wants, and what may stand in for it."""
    wanted = place.wanted()
    return [part for part in (wanted.part, *wanted.alike, *_listed(place, wanted)) if part is not None]


def _listed(place: Place, wanted: Wanted) -> set[str]:
    station = place.station
    return fitting.instead_of(place.world.policy, wanted.part, station.line, station.station)


def _wanted_object(place: Place, wanted: Wanted) -> Json:
    return {
        "part": wanted.part,
        "order": wanted.order,
        "by_recipe": wanted.by_recipe,
        "instead": sorted({*_listed(place, wanted), *wanted.alike}),
    }


def _changes(place: Place, kind: str | None) -> tuple[str, ...]:
    """The usual way first: nothing can be joined to what is out, nor to another part."""
    slot = place.slot
    gone = slot.removed or slot.out_since is not None
    wanted = place.wanted().part
    another = slot.part is not None and wanted is not None and slot.part != wanted
    return checklists.changes_of(kind, empty=gone or another)


def _way(place: Place, change: str, kind: str | None) -> Json:
    station = place.station
    steps = checklists.steps(
        place.world.policy, line=station.line, station=station.station, kind=kind, change=change
    )
    return {"change": change, "steps": [place.say(said) for said in steps]}


def _undo_object(place: Place) -> Json | None:
    kept = place.slot.exchanged
    if kept is None or not undo.can_undo(place.slot, kept.event, place.at):
        return None
    until = to_rfc3339(kept.at + undo.MINUTE)
    return {"event": kept.event, "until": until, "by": kept.by, "part": place.slot.part}


def _quantity(place: Place, read: Read, known: SupplyState | None) -> int | None:
    """What is believed to be in it: what is left of one that was used before, what its label says, or what is
    usual."""
    left = _left(known)
    if left is not None:
        return left
    return read.quantity if read.quantity is not None else place.holds


def _left(known: SupplyState | None) -> int | None:
    stock = None if known is None else known.stock
    return None if stock is None else max(0, stock.declared - stock.counted)


def _warnings(place: Place, read: Read, known: SupplyState | None) -> Iterator[Said | None]:
    yield _elsewhere(place, known)
    yield _used_before(read, known)
    yield _too_many(place, read)
    yield _life_is_short(_life(place, read.part, read.supply))


def _elsewhere(place: Place, known: SupplyState | None) -> Said | None:
    if known is None or known.where is None:
        return None
    if known.where == (place.station.line, place.station.station, place.slot.name):
        return Said("By our books {supply} is in this slot already.", {"supply": known.name})
    return Said(
        "By our books {supply} is in {place}: loading it here takes it out there.",
        {"supply": known.name, "place": " ".join(known.where)},
    )


def _used_before(read: Read, known: SupplyState | None) -> Said | None:
    left = _left(known)
    if known is None or left is None or left == read.quantity:
        return None
    return Said(
        "By our books {number} part is left in {supply}.",
        {"number": left, "supply": known.name},
        many="By our books {number} parts are left in {supply}.",
    )


def _too_many(place: Place, read: Read) -> Said | None:
    if read.quantity is None or place.holds is None or read.quantity <= place.holds:
        return None
    return Said(
        "The label says {quantity} parts, more than the {usual} that this slot usually holds.",
        {"quantity": read.quantity, "usual": place.holds},
    )


def _life_is_short(life: FloorLife | None) -> Said | None:
    if life is None or life.state == "expired" or life.left is None or life.limit is None:
        return None
    if life.lies == "sealed" or life.left > life.limit // 4:
        return None
    hours = life.left // _HOUR
    return Said(
        "Its floor life ends in less than {number} hour.",
        {"number": hours + 1},
        many="Its floor life ends in less than {number} hours.",
    )
