"""Why a station stood, gap by gap: from its tower, from what came before and after it in the line, from
supplies and orders, together.

Each moment of a gap is claimed once, by the strongest sign first: planned rest, the tower, an exchange of
supplies, an order that ended, no room ahead, nothing from before. Claims never take the time that the panel
in the gap needs; what nobody claims and is too long for work is explained last, and least surely.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.domain.claims import SAME, Claims, Piece, Place
from service.domain.flow import next_take, taken_by
from service.domain.model import SECOND, Instant
from service.domain.spans import within
from service.domain.stands import SHORTEST, Gap
from service.domain.track import Cause
from service.domain.unclaimed import explain_rest

_HAND = 75 * SECOND
"""An exchange that begins with the gap takes no longer than that by itself."""
_USUAL_HAND = 40 * SECOND
_SHORT = SECOND
"""Less is no piece of time."""


def explain(place: Place, *, guess: bool = True) -> None:
    """Fill in the pieces and takes of a station, after those of the one that follows it. Without ``guess``
    only what something speaks for."""
    place.pieces, place.takes = [], []
    usual = place.run.usual is not None
    for gap in place.run.gaps:
        claims = Claims(gap)
        if usual or gap.signs:
            _claim(place, gap, claims, guess=guess)
        elif not place.run.ends and not place.tower.speaks:
            claims.claim(Piece(gap.since, gap.until, Cause.UNHEARD, ("unheard",)))
        place.pieces += sorted(_worth(claims.pieces), key=lambda piece: piece.since)
        place.takes.append(min(gap.until, claims.begun()))


def _worth(pieces: Iterable[Piece]) -> list[Piece]:
    """Waiting for a neighbour for less than a stop is the line's rhythm."""
    return [
        piece
        for piece in pieces
        if piece.length >= (SHORTEST if piece.cause in (Cause.HELD, Cause.STARVED) else _SHORT)
    ]


def _claim(place: Place, gap: Gap, claims: Claims, *, guess: bool) -> None:
    stood = gap.over >= place.run.shortest or (gap.open and gap.length >= place.run.shortest + gap.need)
    if stood:
        for since, until in within(place.rests, gap.since, gap.until):
            claims.claim(Piece(since, until, Cause.REST, ("calendar",)))
        for since, until in within(place.unknown, gap.since, gap.until):
            claims.claim(Piece(since, until, Cause.UNHEARD, ("unheard",)))
    for sign in gap.signs:
        slot = sign.slots[0] if sign.cause is Cause.SUPPLY and sign.slots else None
        _claim_sign(place, gap, claims, Piece(sign.since, sign.until, sign.cause, ("tower",), slot))
    _claim_held(place, gap, claims)
    if stood:
        _claim_between(place, gap, claims)
    _claim_starved(place, gap, claims)
    if stood and not _ends_order(place, gap):
        _claim_exchanges(place, gap, claims)
    rest = claims.left - (gap.need if gap.open else 0)
    # What went before the first panel isn't known: a part of it may be of an earlier one.
    if guess and stood and rest >= place.run.shortest + (gap.need if gap.panel == 0 else 0):
        explain_rest(place, gap, claims, rest)


# By itself


def _claim_sign(place: Place, gap: Gap, claims: Claims, piece: Piece) -> None:
    if piece.cause is Cause.SUPPLY:
        latest = _loaded_by(gap)
        hands = min(latest, _hands_off(place, piece.until))
        by = min(latest, hands + SAME) if piece.slot is None else latest
        loaded = next(iter(place.loaded(piece.since, by, piece.slot)), None)
        piece.until = max(piece.until, hands if loaded is None else loaded.at)
        if loaded is not None:
            piece.supplied, piece.slot = loaded, loaded.slot
            piece.marks += ("loaded",)
        if piece.since > gap.since + SAME or place.needs_stop(piece.slot or "") is False:
            piece.marks += ("within a panel",)
    claims.claim(piece)


def _loaded_by(gap: Gap) -> Instant:
    """Until when what was loaded may have ended the stop: it takes a while yet to complete the panel."""
    return gap.until if gap.open else gap.until - gap.need // 2


def _hands_off(place: Place, out: Instant) -> Instant:
    """When the exchange was over: the tower may wait for the hands before it is green again."""
    shown = place.tower.during(out, out + _HAND)
    if shown and place.tower.waits(shown[0]):
        return shown[1].at if len(shown) > 1 else out
    return out


def _claim_exchanges(place: Place, gap: Gap, claims: Claims) -> None:
    """Supplies that can only be exchanged in a stop, and were, without having run out. What was exchanged
    while the station waited anyway cost nothing."""
    out = {slot for sign in gap.signs for slot in sign.slots}
    for each in place.loaded(gap.since + SAME, _loaded_by(gap)):
        begin = claims.begun()
        if each.slot in out or each.at <= begin + SAME or not place.needs_stop(each.slot):
            continue
        since, marks = _hands_on(place, begin, each.at)
        cause = Cause.EXCHANGE
        if "waits" not in marks and place.ran_out(each):
            since, cause = begin, Cause.SUPPLY
        if each.at - since <= claims.left + 2 * SAME:
            claims.claim(Piece(since, each.at, cause, ("loaded", *marks), each.slot, each))


def _hands_on(place: Place, begin: Instant, end: Instant) -> tuple[Instant, tuple[str, ...]]:
    """Since when hands were on it: mostly the station is stopped for them."""
    waits = place.tower.begins_to_wait(begin - SAME, end)
    if waits is not None and waits <= begin + SAME:
        return begin, ("waits",)
    if end - begin <= _HAND:
        return begin, ()
    if waits is not None and end - waits <= _HAND:
        return waits, ("waits",)
    return end - _USUAL_HAND, ()


# The line's orders and neighbours


def _ends_order(place: Place, gap: Gap) -> bool:
    return any(each.since <= gap.until and each.until >= gap.since for each in place.between)


def _claim_between(place: Place, gap: Gap, claims: Claims) -> None:
    """From the last panel of an order to the first of the next."""
    end = gap.until if gap.open else gap.until - gap.need
    for each in place.between:
        if each.since > end or each.until < gap.since:
            continue
        if each.waits:
            claims.claim(Piece(gap.since, end, Cause.CHANGEOVER, ("order",)))
        else:
            claims.claim(Piece(gap.since, min(end, each.until), Cause.NO_ORDER, ("order",)))
            claims.claim(Piece(each.until, end, Cause.CHANGEOVER, ("order",)))


def _claim_held(place: Place, gap: Gap, claims: Claims) -> None:
    if place.later is None:
        return
    later, flow = place.later
    taken = taken_by(later.run, later.takes, gap.since)
    if flow.room is None or gap.panel - taken - flow.empty_at(gap.since) < flow.room:
        return
    goes = next_take(later.takes, taken, gap.since) or gap.until
    marks = ("room", "waits") if place.waits(gap.since, goes) else ("room",)
    claims.claim(Piece(gap.since, goes, Cause.HELD, marks, neighbour=later.name))


def _claim_starved(place: Place, gap: Gap, claims: Claims) -> None:
    if place.earlier is None:
        return
    earlier, flow = place.earlier
    since = claims.begun()
    made = earlier.run.ended_by(since)
    if made - gap.panel - flow.empty_at(gap.since) > 0:
        return
    comes = earlier.run.ends[made] if made < len(earlier.run.ends) else gap.until
    marks = ("nothing", "waits") if place.waits(since, comes) else ("nothing",)
    claims.claim(Piece(since, comes, Cause.STARVED, marks, neighbour=earlier.name))
