"""From running totals to what was consumed: sessions, repeats, holes, restarts, first contact.

``hear`` decides what a message is, ``slot_increment`` and ``panel_increment`` what it adds. Nothing is ever
consumed negatively, and what can't be known (a total's beginning we didn't hear) is not counted.
"""

from __future__ import annotations

from enum import Enum

from service.domain.events import CountMessage, SlotCount
from service.domain.model import Instant
from service.domain.state import SlotState, StationState

MOST_HOLES = 64
MOST_REPLACED = 256


class Hearing(Enum):
    REPEAT = "already counted"
    REPLACED = "from a session that was replaced"
    LATE = "fills a hole"
    FIRST = "first contact"
    ONWARD = "as usual"
    AFRESH = "counts from zero"


COUNTED = frozenset({Hearing.LATE, Hearing.FIRST, Hearing.ONWARD, Hearing.AFRESH})


def hear(station: StationState, message: CountMessage, said_at: Instant | None) -> Hearing:
    """What the message is to this station; notes session, sequence and holes.

    ``said_at`` is the message's own time where it gave one that is believed.
    """
    hearing = _judge(station, message, said_at)
    if hearing in (Hearing.REPEAT, Hearing.REPLACED, Hearing.LATE):
        return hearing
    if hearing is Hearing.AFRESH:
        _begin_afresh(station)
    if message.seq is not None:
        _note_sequence(station, message.seq, continues=hearing is Hearing.ONWARD)
    station.heard = True
    if said_at is not None:
        station.last_at = said_at
    return hearing


def _judge(station: StationState, message: CountMessage, said_at: Instant | None) -> Hearing:
    if message.session is not None and message.session != station.session:
        return _judge_session(station, message)
    if not station.heard:
        return Hearing.FIRST
    if message.seq is not None and _in_hole(station, message.seq):
        older = message.session is not None or said_at is None or not _newer(station, said_at)
        if older:
            _close_hole(station, message.seq)
            return Hearing.LATE
    if message.session is not None:
        return _judge_within(station, message, said_at)
    if message.seq is not None and message.seq == station.seq:
        return Hearing.REPEAT
    if said_at is not None and not _newer(station, said_at):
        return Hearing.REPEAT
    return Hearing.AFRESH if _restarted(station, message) else Hearing.ONWARD


def _judge_session(station: StationState, message: CountMessage) -> Hearing:
    if message.session in station.replaced:
        return Hearing.REPLACED
    known, heard = station.session, station.heard
    if known is not None:
        station.replaced.append(known)
        del station.replaced[:-MOST_REPLACED]
    station.session = message.session
    if not heard:
        return Hearing.FIRST
    # A source that begins to name its session needn't have restarted.
    return Hearing.AFRESH if known is not None or _restarted(station, message) else Hearing.ONWARD


def _judge_within(station: StationState, message: CountMessage, said_at: Instant | None) -> Hearing:
    if message.seq is not None:
        repeat = station.seq is not None and message.seq <= station.seq
    else:
        repeat = said_at is not None and station.last_at is not None and said_at < station.last_at
    return Hearing.REPEAT if repeat else Hearing.ONWARD


def _newer(station: StationState, said_at: Instant) -> bool:
    return station.last_at is None or said_at > station.last_at


def _restarted(station: StationState, message: CountMessage) -> bool:
    """Without a session: the sequence, the panels or all totals fell. One falling slot alone isn't enough."""
    if message.seq is not None and station.seq is not None and message.seq < station.seq:
        return True
    if message.counts == "delta":
        return False
    if message.panels is not None and station.panels is not None and message.panels < station.panels:
        return True
    bases = [
        (count.placed, slot.base_placed)
        for name, count in message.slots.items()
        if (slot := station.slots.get(name)) is not None and slot.base_placed is not None
    ]
    counted_slots = sum(slot.base_placed is not None for slot in station.slots.values())
    all_fell = bool(bases) and all(placed < base for placed, base in bases)
    return all_fell and (len(bases) > 1 or counted_slots == 1)


def _begin_afresh(station: StationState) -> None:
    station.in_full = True
    station.seq = None
    station.holes.clear()
    station.uncertain_since = None
    station.panel_at = None
    if station.panels is not None:
        station.panels = 0
    for slot in station.slots.values():
        slot.base_placed = slot.base_lost = 0


def _note_sequence(station: StationState, seq: int, *, continues: bool) -> None:
    if continues and station.seq is not None and seq > station.seq + 1:
        station.holes.append((station.seq + 1, seq - 1))
        del station.holes[:-MOST_HOLES]
    station.seq = seq


def _in_hole(station: StationState, seq: int) -> bool:
    return any(low <= seq <= high for low, high in station.holes)


def _close_hole(station: StationState, seq: int) -> None:
    kept: list[tuple[int, int]] = []
    for low, high in station.holes:
        if not low <= seq <= high:
            kept.append((low, high))
            continue
        if low < seq:
            kept.append((low, seq - 1))
        if seq < high:
            kept.append((seq + 1, high))
    station.holes = kept
    if not kept:
        station.uncertain_since = None


def slot_increment(
    station: StationState, slot: SlotState, message: CountMessage, count: SlotCount, hearing: Hearing
) -> tuple[int, int | None]:
    """(placed, lost) that this message adds to the slot; lost is ``None`` where nobody said."""
    if message.counts == "delta":
        placed, lost = count.placed, count.lost
    elif hearing is Hearing.LATE:
        return 0, 0
    else:
        placed, lost = _from_totals(station, slot, count, hearing)
    return (placed, lost) if message.mode == "production" else (0, 0)


def _from_totals(
    station: StationState, slot: SlotState, count: SlotCount, hearing: Hearing
) -> tuple[int, int | None]:
    base, base_lost = slot.base_placed, slot.base_lost
    if hearing is Hearing.FIRST:
        base = base_lost = None
    elif base is None and station.in_full:
        base, base_lost = 0, 0
    slot.base_placed = count.placed
    placed = 0 if base is None else count.placed - base
    if placed < 0:
        slot.fell += 1
        placed = 0
    if count.lost is None:
        return placed, None
    slot.base_lost = count.lost
    lost = 0 if base_lost is None else max(0, count.lost - base_lost)
    return placed, lost


def panel_increment(station: StationState, message: CountMessage, hearing: Hearing) -> int | None:
    """Panels completed since the last message; ``None`` where the station doesn't say."""
    if message.panels is None:
        return None
    if message.counts == "delta":
        panels = message.panels
    elif hearing is Hearing.LATE:
        return 0
    else:
        base = station.panels
        if hearing is Hearing.FIRST:
            base = None
        elif base is None and station.in_full:
            base = 0
        station.panels = message.panels
        panels = 0 if base is None else max(0, message.panels - base)
    return panels if message.mode == "production" else 0
