"""Why a station stood, gap by gap: from its tower, from what came before and after it in the line, from
supplies and orders, together.

Each moment of a gap is claimed once, by the strongest sign first: planned rest, the tower, an exchange of
supplies, an order that ended, no room ahead, nothing from before. Claims never take the time that the panel
in the gap needs; what nobody claims and is too long for work is explained last, and least surely.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from service.domain.claims import SAME, Claims, Piece, Place
from service.domain.flow import next_take, taken_by
from service.domain.model import SECOND, Instant
from service.domain.spans import shows_waiting, within
from service.domain.stands import SHORTEST, Gap
from service.domain.track import Cause, Supplied

HAND = 75 * SECOND
"""An exchange that begins with the gap takes no longer than that by itself."""
USUAL_HAND = 40 * SECOND
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
        _explain_rest(place, gap, claims, rest)


# By itself


def _claim_sign(place: Place, gap: Gap, claims: Claims, piece: Piece) -> None:
    if piece.cause is Cause.SUPPLY:
        latest = gap.until if gap.open else gap.until - gap.need // 2
        hands = min(latest, _hands_off(place, piece.until))
        by = min(latest, hands + SAME) if piece.slot is None else latest
        loaded = _loaded(place, piece.since, by, piece.slot)[:1]
        piece.supplied = loaded[-1] if loaded else None
        piece.until = max(piece.until, loaded[-1].at if loaded else hands)
        piece.marks += ("loaded",) if loaded else ()
        if piece.slot is None and loaded:
            piece.slot = loaded[-1].slot
        if piece.since > gap.since + SAME or place.needs_stop(piece.slot or "") is False:
            piece.marks += ("within a panel",)
    claims.claim(piece)


def _hands_off(place: Place, out: Instant) -> Instant:
    """When the exchange was over: the tower may wait for the hands before it is green again."""
    shown = place.tower.during(out, out + HAND)
    if shown and shows_waiting(shown[0]):
        return shown[1].at if len(shown) > 1 else out
    return out


def _loaded(place: Place, since: Instant, until: Instant, slot: str | None = None) -> list[Supplied]:
    return [
        each
        for each in place.supplies
        if since <= each.at <= until
        and each.change in ("loaded", "joined")
        and (slot is None or each.slot == slot)
    ]


def _claim_exchanges(place: Place, gap: Gap, claims: Claims) -> None:
    """Supplies that can only be exchanged in a stop, and were, without having run out. What was exchanged
    while the station waited anyway cost nothing."""
    latest = gap.until if gap.open else gap.until - gap.need // 2
    out = {slot for sign in gap.signs for slot in sign.slots}
    for each in _loaded(place, gap.since + SAME, latest):
        begin = claims.begun()
        if each.slot in out or each.at <= begin + SAME or not place.needs_stop(each.slot):
            continue
        since, marks = _hands_on(place, begin, each.at)
        cause = Cause.EXCHANGE
        if "waits" not in marks and _ran_out(place, each):
            since, cause = begin, Cause.SUPPLY
        if each.at - since <= claims.left + 2 * SAME:
            claims.claim(Piece(since, each.at, cause, ("loaded", *marks), each.slot, each))


def _ran_out(place: Place, supplied: Supplied) -> bool:
    """By the books the supply before didn't last for another panel."""
    if supplied.left is None:
        return False
    ruling = [each for each in place.run.track.recipes if each.at <= supplied.at]
    usage = ruling[-1].usage.get(supplied.slot, 0.0) if ruling else 0.0
    return supplied.left < max(usage, 1.0)


def _hands_on(place: Place, begin: Instant, end: Instant) -> tuple[Instant, tuple[str, ...]]:
    """Since when hands were on it: mostly the station is stopped for them."""
    waits = place.tower.begins_to_wait(begin - SAME, end)
    if waits is not None and waits <= begin + SAME:
        return begin, ("waits",)
    if end - begin <= HAND:
        return begin, ()
    if waits is not None and end - waits <= HAND:
        return waits, ("waits",)
    return end - USUAL_HAND, ()


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
    marks = ("room", "waits") if _waits(place, gap.since, goes) else ("room",)
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
    marks = ("nothing", "waits") if _waits(place, since, comes) else ("nothing",)
    claims.claim(Piece(since, comes, Cause.STARVED, marks, neighbour=earlier.name))


def _waits(place: Place, since: Instant, until: Instant) -> bool:
    return place.tower.begins_to_wait(since, until) is not None


# What nobody claimed


def _explain_rest(place: Place, gap: Gap, claims: Claims, rest: Instant) -> None:
    """The station stood for so long, and nothing said so far says why."""
    begin = claims.begun()
    within_panel = next((at for at, _ in gap.parts if at > begin + SAME), None)
    since = begin if within_panel is None or within_panel + rest > gap.until else within_panel
    piece = Piece(since, since + rest, Cause.UNKNOWN)
    if not _is_unheard(place, gap, piece):
        _by_supply(place, gap, piece, stopped_within=since == within_panel)
    if piece.cause is Cause.UNKNOWN:
        _by_elimination(place, piece)
    claims.claim(piece, at_most=rest)


def _is_unheard(place: Place, gap: Gap, piece: Piece) -> bool:
    """Its link was down, no panel was heard of yet, or none is any more: nobody knows whether it stood."""
    if within(place.offline, piece.since, piece.until):
        piece.cause, piece.marks = Cause.UNHEARD, ("offline",)
    elif not _waits(place, piece.since, piece.until) and (
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
        ran_out = out or stopped_within or _ran_out(place, last)
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
    if gone and _waits(place, piece.since - SAME, piece.until):
        piece.cause, piece.marks, piece.slot = Cause.EXCHANGE, ("not low", "waits"), gone[0]


def _ending(place: Place, gap: Gap, piece: Piece) -> Iterator[Supplied]:
    """Supplies whose loading may have ended the stop, the last first. One that may be loaded while the
    station runs must have done so to the second."""
    latest = min(gap.until, piece.until + gap.need // 2)
    waits = place.tower.begins_to_wait(piece.since - SAME, piece.until)
    by_hand = waits <= piece.since + SAME if waits is not None else not place.tower.tells_waiting
    for each in reversed(_loaded(place, piece.since - SAME, latest)):
        if place.needs_stop(each.slot) or (by_hand and abs(each.at - piece.until) <= SAME):
            yield each


def _by_elimination(place: Place, piece: Piece) -> None:
    """It waits and nothing else is open to it, or it doesn't wait and stood all the same. Nobody is blamed
    who may have had nothing to take, or no room."""
    waits, long = _waits(place, piece.since, piece.until), _is_long(place, piece)
    if place.tower.tells_waiting and waits:
        _wait_for(place, piece, Cause.HELD if _nearer_full(place, piece) else Cause.STARVED, "waits")
    elif place.is_first and not place.tower.speaks:
        return
    elif place.is_first or _may_lack(place, piece):
        # At the first, either a red light or one that says it waits wasn't heard.
        _wait_for(place, piece, Cause.STARVED, "by itself")
    elif _may_be_full(place, piece):
        _wait_for(place, piece, Cause.HELD, "by itself")
    elif not long:
        piece.cause, piece.marks = Cause.FAULT, ("by itself", "waits not")
        if not place.tower.tells_waiting:
            piece.marks = ("by itself",)


def _wait_for(place: Place, piece: Piece, cause: Cause, mark: str) -> None:
    neighbour = place.later if cause is Cause.HELD else place.earlier
    piece.cause, piece.marks = cause, (mark,)
    piece.neighbour = None if neighbour is None else neighbour[0].name


def _may_lack(place: Place, piece: Piece) -> bool:
    """No more were there to take than there ever were at least."""
    if place.earlier is None:
        return True
    earlier, flow = place.earlier
    return earlier.run.ended_by(piece.since) - place.run.ended_by(piece.since) <= flow.least


def _may_be_full(place: Place, piece: Piece) -> bool:
    """As many were on the way as there ever were at most."""
    if place.later is None:
        return not place.is_last
    later, flow = place.later
    taken = taken_by(later.run, later.takes, piece.since)
    return place.run.ended_by(piece.since) - taken >= flow.most


def _nearer_full(place: Place, piece: Piece) -> bool:
    """Whether the way ahead is rather full than the one before empty."""
    if place.later is None or place.is_last:
        return False
    later, flow = place.later
    taken = taken_by(later.run, later.takes, piece.since)
    between = place.run.ended_by(piece.since) - taken - flow.empty_at(piece.since)
    return flow.room is not None and between >= flow.room
