"""From running totals to what was consumed: sessions, repeats, holes, restarts, first contact.

``hear`` decides what a message is, ``slot_increment`` and ``panel_increment`` what it adds. Nothing is ever
consumed negatively, and what can't be known (a total's beginning we didn't hear) is not counted.
"""

from __future__ import annotations

from enum import Enum
from zlib import crc32

import msgspec

from service.domain.events import CountMessage, SlotCount
from service.domain.model import Instant
from service.domain.state import SlotState, StationState

MOST_HOLES = 64
MOST_REPLACED = 256
MOST_MISSING_FIRST = 1000
"""Who begins with a higher number doesn't count the messages of the session that it names."""
_NOTHING = (0, 0, 0)


class Hearing(Enum):
    REPEAT = "already counted"
    REPLACED = "from a session that was replaced"
    LATE = "fills a hole"
    FIRST = "first contact"
    ONWARD = "as usual"
    AFRESH = "counts from zero"


def hear(station: StationState, message: CountMessage, said_at: Instant | None) -> tuple[Hearing, int]:
    """What the message is to this station, and how many messages it shows to be missing; notes session,
    sequence and holes.

    ``said_at`` is the message's own time where it gave one that is believed.
    """
    hearing = _judge(station, message, said_at)
    if hearing is Hearing.REPEAT or hearing is Hearing.REPLACED or hearing is Hearing.LATE:
        return hearing, 0
    before = station.seq
    if hearing is Hearing.AFRESH:
        _begin_afresh(station)
    missed = 0
    if message.seq is not None:
        missed = _note_sequence(station, message.seq, message, before, hearing)
    station.heard = True
    if said_at is not None:
        station.last_at = said_at
        station.last_delta = _mark(message)
    return hearing, missed


def _judge(station: StationState, message: CountMessage, said_at: Instant | None) -> Hearing:
    session, seq = message.session, message.seq
    if session is not None and session != station.session:
        return _judge_session(station, message)
    if not station.heard:
        return Hearing.FIRST
    if seq is not None and (station.holes or station.unheard):
        older = session is not None or said_at is None or not _newer(station, said_at)
        if older and _closes_hole(station, seq):
            return Hearing.LATE
    if session is None:
        return _judge_unnamed(station, message, said_at)
    if seq is not None:
        repeat = station.seq is not None and seq <= station.seq
    elif said_at is not None:
        last = station.last_at
        repeat = last is not None and (said_at < last or (said_at == last and _is_again(station, message)))
    else:
        # Nothing tells old from new, and a session's totals never fall.
        repeat = _fell(station, message)
    return Hearing.REPEAT if repeat else Hearing.ONWARD


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
    return Hearing.AFRESH if known is not None or _fell(station, message) else Hearing.ONWARD


def _judge_unnamed(station: StationState, message: CountMessage, said_at: Instant | None) -> Hearing:
    """Without a session: what isn't newer is a repeat, what is newer and fell has restarted."""
    if said_at is not None and not _newer(station, said_at):
        return Hearing.REPEAT
    if _fell(station, message):
        onward = message.seq is not None and station.seq is not None and message.seq > station.seq
        # A message that comes twice looks like a restart where no time of its own says that it is newer. But
        # it is nearly as far as we are, and a restart is near zero.
        newer = said_at is not None or onward or _near_zero(station, message)
        return Hearing.AFRESH if newer else Hearing.REPEAT
    return Hearing.REPEAT if message.seq is not None and message.seq == station.seq else Hearing.ONWARD


def _is_again(station: StationState, message: CountMessage) -> bool:
    """Word for word the last one: two slots' differences may be of one moment, in two messages."""
    return station.last_delta is not None and station.last_delta == _mark(message)


def _mark(message: CountMessage) -> int | None:
    """Of differences that nothing but their time tells apart."""
    if message.counts != "delta" or message.seq is not None:
        return None
    return crc32(msgspec.msgpack.encode(message))


def _may_be_old(message: CountMessage) -> bool:
    """Of a session, whose totals never fall, and nothing says that it is newer than what was heard."""
    return message.session is not None and message.seq is None and message.at is None


def _newer(station: StationState, said_at: Instant) -> bool:
    return station.last_at is None or said_at > station.last_at


def _fell(station: StationState, message: CountMessage) -> bool:
    """The sequence, the panels or all totals fell. One falling slot alone isn't enough."""
    if message.seq is not None and station.seq is not None and message.seq < station.seq:
        return True
    if message.counts == "delta":
        return False
    if message.panels is not None and station.panels is not None and message.panels < station.panels:
        return True
    totals = _totals(station, message)
    all_fell = bool(totals) and all(new < old for new, old in totals)
    return all_fell and (len(totals) > 1 or _counted_slots(station) == 1)


def _near_zero(station: StationState, message: CountMessage) -> bool:
    """Not half as far as before, by whatever the message says."""
    pairs = [(message.seq, station.seq)]
    if message.counts == "total":
        pairs += [(message.panels, station.panels), *_totals(station, message)]
    return any(new is not None and old is not None and 2 * new <= old for new, old in pairs)


def _totals(station: StationState, message: CountMessage) -> list[tuple[int, int]]:
    """(now, before) of the slots in the message that were counted before."""
    return [
        (count.placed, slot.base_placed)
        for name, count in message.slots.items()
        if (slot := station.slots.get(name)) is not None and slot.base_placed is not None
    ]


def _counted_slots(station: StationState) -> int:
    return sum(slot.base_placed is not None for slot in station.slots.values())


def _begin_afresh(station: StationState) -> None:
    station.in_full = True
    station.seq = None
    station.given_up = station.given_up or bool(station.holes)
    station.holes.clear()
    station.unheard.clear()
    station.panel_at = None
    if station.panels is not None:
        station.panels = 0
    for slot in station.slots.values():
        slot.base_placed = slot.base_lost = slot.base_empty = 0
        slot.unsaid = 0


def _note_sequence(
    station: StationState, seq: int, message: CountMessage, before: int | None, hearing: Hearing
) -> int:
    """Remember how far it came; the number of messages missing in between. Where differences begin afresh,
    those from number 1 on are missing."""
    station.seq = seq
    if before is not None and before <= seq <= before + 1:
        if hearing is Hearing.AFRESH and seq > 0:
            station.unheard = [(0, seq - 1)]
        return 0
    if hearing is Hearing.ONWARD:
        if before is None or seq < before:
            return 0
        station.holes.append((before + 1, seq - 1))
        _keep_few(station)
        return seq - 1 - before
    missing = 0
    if hearing is Hearing.AFRESH and message.counts == "delta" and 1 < seq <= MOST_MISSING_FIRST:
        station.holes.append((1, seq - 1))
        missing = seq - 1
    if message.session is not None and seq > 0:
        # Nobody knows where a session begins to count, so what is lower isn't missing; but it isn't a repeat.
        station.unheard = [(0, seq - 1 - missing)]
    return missing


def _closes_hole(station: StationState, seq: int) -> bool:
    for runs in (station.holes, station.unheard):
        for place, (low, high) in enumerate(runs):
            if low <= seq <= high:
                runs[place : place + 1] = [
                    run for run in ((low, seq - 1), (seq + 1, high)) if run[0] <= run[1]
                ]
                _keep_few(station)
                return True
    return False


def _keep_few(station: StationState) -> None:
    if len(station.holes) > MOST_HOLES:
        del station.holes[:-MOST_HOLES]
        station.given_up = True
    del station.unheard[:-MOST_HOLES]


def beginning(station: StationState, message: CountMessage, hearing: Hearing) -> CountMessage:
    """The message as it counts: where another source takes over, nobody knows how much of its first
    difference the one before has said."""
    if hearing is Hearing.FIRST and message.counts == "delta" and station.counted_at is not None:
        return msgspec.structs.replace(message, mode="setup")
    return message


def slot_increment(
    station: StationState, slot: SlotState, message: CountMessage, count: SlotCount, hearing: Hearing
) -> tuple[int, int | None, int]:
    """(placed, lost, covered) that this message adds to the slot. ``lost`` is ``None`` where nobody said;
    ``covered``: the placements, of this message and before, to which the losses belong."""
    if message.counts == "delta":
        _move_along(station, slot, count)
        return (count.placed, count.lost, count.placed) if message.mode == "production" else _NOTHING
    if hearing is Hearing.LATE:
        return _NOTHING
    total, total_lost = count.placed, count.lost
    base, base_lost = slot.base_placed, slot.base_lost
    if hearing is Hearing.FIRST:
        base = base_lost = None
    elif station.in_full:
        base, base_lost = base or 0, base_lost or 0
    placed = 0 if base is None else total - base
    if placed < 0:
        if _may_be_old(message):
            return _NOTHING
        slot.fell += 1
        placed = 0
    slot.base_placed = total
    produces = message.mode == "production"
    if total_lost is None:
        slot.unsaid += placed if produces else 0
        return (placed, None, 0) if produces else _NOTHING
    slot.base_lost = total_lost
    covered, slot.unsaid = placed + slot.unsaid, 0
    if not produces:
        return _NOTHING
    if base_lost is None:
        return placed, None, 0
    return placed, (total_lost - base_lost if total_lost > base_lost else 0), covered


def empty_increment(
    station: StationState, slot: SlotState, message: CountMessage, total: int, hearing: Hearing
) -> int:
    """Picks that found a cavity empty, as many as this message adds to the slot."""
    produces = message.mode == "production"
    if message.counts == "delta":
        if slot.base_empty is not None or station.in_full:
            slot.base_empty = (slot.base_empty or 0) + total
        return total if produces else 0
    if hearing is Hearing.LATE:
        return 0
    base = None if hearing is Hearing.FIRST else slot.base_empty
    if base is None and station.in_full and hearing is not Hearing.FIRST:
        base = 0
    slot.base_empty = total
    return max(0, total - base) if base is not None and produces else 0


def _move_along(station: StationState, slot: SlotState, count: SlotCount) -> None:
    """Totals that follow go on from here."""
    if slot.base_placed is not None or station.in_full:
        slot.base_placed = (slot.base_placed or 0) + count.placed
    if count.lost is not None and (slot.base_lost is not None or station.in_full):
        slot.base_lost = (slot.base_lost or 0) + count.lost


def placed_by(
    station: StationState, slot: SlotState, message: CountMessage, count: SlotCount, hearing: Hearing
) -> int:
    """What ``slot_increment`` will say was placed, without noting anything."""
    if message.mode != "production" or (hearing is Hearing.FIRST and message.counts == "total"):
        return 0
    if message.counts == "delta":
        return count.placed
    base = slot.base_placed if slot.base_placed is not None or not station.in_full else 0
    return 0 if base is None or hearing is Hearing.LATE else max(0, count.placed - base)


def panel_increment(station: StationState, message: CountMessage, hearing: Hearing) -> int | None:
    """Panels completed since the last message; ``None`` where the station never says."""
    said, before = message.panels, station.panels
    if said is None:
        return None if before is None else 0
    if message.counts == "delta":
        station.panels = (before or 0) + said
        return said if message.mode == "production" else 0
    if hearing is Hearing.LATE:
        return 0
    if hearing is Hearing.FIRST:
        before = None
    elif before is None and station.in_full and not station.progress_estimated:
        before = 0
    station.panels = said
    if before is None or message.mode != "production":
        return 0
    return max(0, said - before)
