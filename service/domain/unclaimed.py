"""Why a station stood for the time that nothing claims: by a supply that was exchanged, or by what is left
when all else is ruled out. The least sure of causes."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence

from service.domain.claims import SAME, Claims, Piece, Place
from service.domain.flow import taken_by
from service.domain.model import SECOND, Instant
from service.domain.spans import within
from service.domain.stands import Gap
from service.domain.track import Cause, Supplied


def explain_rest(place: Place, gap: Gap, claims: Claims, rest: Instant) -> None:
    """The station stood for so long, and nothing said so far says why."""
    begin = claims.begun()
    within_panel = next((at for at, _ in gap.parts if at > begin + SAME), None)
    since = begin if within_panel is None or within_panel + rest > gap.until else within_panel
    piece = Piece(since, since + rest, Cause.UNKNOWN)
    if not _is_unheard(place, gap, piece):
        _by_supply(place, gap, piece, stopped_within=since == within_panel)
    if piece.cause is Cause.UNKNOWN:
        _by_elimination(place, piece)
    claimed = claims.claim(piece, at_most=rest)
    if piece.cause in (Cause.HELD, Cause.STARVED) and claimed and rest - claimed >= place.run.shortest:
        explain_rest(place, gap, claims, rest - claimed)


def _is_unheard(place: Place, gap: Gap, piece: Piece) -> bool:
    """Its link was down, no panel was heard of yet, or none is any more: nobody knows whether it stood."""
    if within(place.offline, piece.since, piece.until):
        piece.cause, piece.marks = Cause.UNHEARD, ("offline",)
    elif not place.waits(piece.since, piece.until) and (
        gap.panel == 0 or (gap.open and _is_long(place, piece))
    ):
        piece.cause, piece.marks = Cause.UNHEARD, ("unheard",)
    return piece.cause is Cause.UNHEARD


def _is_long(place: Place, piece: Piece) -> bool:
    """Nothing came for much longer than a panel takes."""
    return piece.length > max(120 * SECOND, 6 * round(place.run.usual or 0.0))


def _by_supply(place: Place, gap: Gap, piece: Piece, *, stopped_within: bool) -> None:
    """A supply was exchanged while it stood, or is no longer called low."""
    last = next(iter(_ending(place, gap, piece)), None)
    if last is not None:
        out = any(last.slot in sign.slots for sign in gap.signs)
        ran_out = out or stopped_within or place.ran_out(last)
        piece.cause = Cause.SUPPLY if ran_out else Cause.EXCHANGE
        piece.marks = ("loaded", "within a panel") if stopped_within else ("loaded",)
        piece.slot, piece.supplied = last.slot, last
        return
    if stopped_within:
        piece.cause, piece.marks = Cause.SUPPLY, ("within a panel",)
        return
    shown = place.tower.during(piece.since, piece.until + SAME)
    before = place.tower.at(piece.since)
    if before is None or not shown:
        return
    gone = [
        slot for slot in before.slots if slot not in shown[-1].slots and place.needs_stop(slot) is not False
    ]
    if gone and place.waits(piece.since - SAME, piece.until):
        piece.cause, piece.marks, piece.slot = Cause.EXCHANGE, ("not low", "waits"), gone[0]


def _ending(place: Place, gap: Gap, piece: Piece) -> Iterator[Supplied]:
    """Supplies whose loading may have ended the stop, the last first. One that may be loaded while the
    station runs must have done so to the second."""
    latest = min(gap.until, piece.until + gap.need // 2)
    waits = place.tower.begins_to_wait(piece.since - SAME, piece.until)
    by_hand = waits <= piece.since + SAME if waits is not None else not place.tower.tells_waiting
    for each in reversed(place.loaded(piece.since - SAME, latest)):
        if place.needs_stop(each.slot) or (by_hand and abs(each.at - piece.until) <= SAME):
            yield each


def _by_elimination(place: Place, piece: Piece) -> None:
    """It waits and nothing else is open to it, or it doesn't wait and stood all the same. Nobody is blamed
    while they may have had nothing to take, or no room."""
    if place.tower.tells_waiting and place.waits(piece.since, piece.until):
        _wait_for(place, piece, Cause.HELD if _nearer_full(place, piece) else Cause.STARVED, "waits")
    elif place.is_first and not place.tower.speaks:
        return
    elif place.is_first:
        # Either a red light or one that says it waits wasn't heard.
        _wait_for(place, piece, Cause.STARVED, "by itself")
    elif (until := _lacks_until(place, piece)) is not None:
        piece.until = until
        _wait_for(place, piece, Cause.STARVED, "by itself")
    elif (until := _full_until(place, piece)) is not None:
        piece.until = until
        _wait_for(place, piece, Cause.HELD, "by itself")
    elif not _is_long(place, piece):
        piece.cause, piece.marks = Cause.FAULT, ("by itself", "waits not")
        if not place.tower.tells_waiting:
            piece.marks = ("by itself",)


def _wait_for(place: Place, piece: Piece, cause: Cause, mark: str) -> None:
    neighbour = place.later if cause is Cause.HELD else place.earlier
    piece.cause, piece.marks = cause, (mark,)
    piece.neighbour = None if neighbour is None else neighbour[0].name


def _lacks_until(place: Place, piece: Piece) -> Instant | None:
    """Until when it may have had nothing to take: no more were there than there ever were at least."""
    if place.earlier is None:
        return piece.until
    earlier, flow = place.earlier
    there = earlier.run.ended_by(piece.since) - place.run.ended_by(piece.since)
    return _next(place, piece, earlier, earlier.run.ends) if there <= flow.least else None


def _full_until(place: Place, piece: Piece) -> Instant | None:
    """Until when it may have had no room: as many were on the way as there ever were at most."""
    if place.later is None:
        return None if place.is_last else piece.until
    later, flow = place.later
    taken = taken_by(later.run, later.takes, piece.since)
    full = place.run.ended_by(piece.since) - taken >= flow.most
    return _next(place, piece, later, later.takes) if full else None


def _next(place: Place, piece: Piece, other: Place, moments: Sequence[Instant]) -> Instant | None:
    """The neighbour's moment that ended it. ``None``: it went on before there was one, and none was lost."""
    number = bisect_right(moments, piece.since)
    if number == len(moments):
        return piece.until
    if moments[number] <= piece.until + place.run.shortest:
        return min(moments[number], piece.until)
    lost = not all(gap.counted for gap in other.run.gaps[max(0, number - 1) : number + 2])
    return piece.until if lost else None


def _nearer_full(place: Place, piece: Piece) -> bool:
    """Whether the way ahead is rather full than the one before empty."""
    if place.later is None or place.is_last:
        return False
    later, flow = place.later
    taken = taken_by(later.run, later.takes, piece.since)
    between = place.run.ended_by(piece.since) - taken - flow.empty_at(piece.since)
    return flow.room is not None and between >= flow.room
