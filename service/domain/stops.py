"""Every stop of a time with its cause, for each station; and the time in between, in which it worked.

A stop is put down to the station where it began: one that was held, or that nothing came to, names the
station that stood first, through others that stood because of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial

from service.domain import stop_words
from service.domain.calendar import hours_of
from service.domain.causes import explain
from service.domain.claims import Piece, Place
from service.domain.flow import flow_between
from service.domain.line_order import line_order
from service.domain.model import Instant
from service.domain.policy import Policy, slot_rule, tower_rule
from service.domain.spans import Tower, between_orders, offline, rests, unknown
from service.domain.stands import ends_of, run_of
from service.domain.track import Cause, LineTrack, StationTrack, Stop, Stretch, Track

_WAITING = (Cause.HELD, Cause.STARVED)
_ON_THE_WAY = 2
"""Takts."""


def stretches(track: Track) -> dict[tuple[str, str], list[Stretch]]:
    """By line and station; contiguous over the whole time."""
    return {
        (line.line, place.name): list(_stretches(track, line, place, places))
        for line in track.lines.values()
        for places in [_places(track, line)]
        for place in places.values()
    }


def _places(track: Track, line: LineTrack) -> dict[str, Place]:
    """The stations of a line in their order, explained."""
    policy = track.policy
    order = line_order(line, policy.review.stations_of(line.line))
    rule = tower_rule(policy, line.line)
    resting = rests(hours_of(policy, line.line), track.since, track.until)
    between = between_orders(line, track.until)
    ends = {name: ends_of(line.stations[name], track.since, track.until) for name in order}
    places = {
        name: Place(
            run=run_of(line.stations[name], track.since, track.until, _beside(ends, order, number), rule),
            tower=Tower(line.stations[name].towers, rule, ends[name]),
            earlier=None,
            later=None,
            is_first=number == 0,
            is_last=number == len(order) - 1,
            rests=resting,
            between=between,
            unknown=unknown(line.stations[name], track.since),
            offline=offline(line.stations[name], track.until),
            supplies=line.stations[name].supplies,
            needs_stop=partial(_needs_stop, policy, line.stations[name]),
        )
        for number, name in enumerate(order)
    }
    _explain_all(list(places.values()))
    return places


def _explain_all(places: Sequence[Place]) -> None:
    """From the last to the first. What is between two shows when it is known what else kept the later one."""
    later: Place | None = None
    for place in reversed(places):
        if later is not None:
            flow = flow_between(place.run, later.run, later.takes)
            if flow is not None:
                place.later, later.earlier = (later, flow), (place, flow)
            explain(later)
        explain(place, guess=False)
        later = place
    if later is not None:
        explain(later)


def _beside(
    ends: Mapping[str, Sequence[Instant]], order: Sequence[str], number: int
) -> list[Sequence[Instant]]:
    """Of the neighbours of a station."""
    return [ends[name] for name in (*order[max(0, number - 1) : number], *order[number + 1 : number + 2])]


def _needs_stop(policy: Policy, station: StationTrack, slot: str) -> bool | None:
    rule = slot_rule(policy, line=station.line, station=station.station, slot=slot)
    if rule.boundary_only is not None:
        return rule.boundary_only
    kind = station.parts.get(slot, (None, None))[1] or rule.kind
    return None if kind is None else kind == "tray"


def _stretches(track: Track, line: LineTrack, place: Place, places: Mapping[str, Place]) -> Iterator[Stretch]:
    at = track.since
    for piece in place.pieces:
        if piece.since > at:
            yield Stretch(since=at, until=piece.since)
        yield Stretch(since=piece.since, until=piece.until, stop=_stop(line, place, piece, places))
        at = piece.until
    if at < track.until:
        yield Stretch(since=at, until=track.until)


def _stop(line: LineTrack, place: Place, piece: Piece, places: Mapping[str, Place]) -> Stop:
    root = _root(piece, places)
    part, kind = (None, None) if piece.slot is None else _supply_in(place.run.track, piece)
    return Stop(
        line=line.line,
        station=place.name,
        since=piece.since,
        until=piece.until,
        cause=piece.cause,
        confidence=stop_words.confidence(piece, root),
        evidence=stop_words.evidence(piece, root),
        slot=piece.slot,
        part=part,
        kind=kind,
        because_of=None if root is None else root[0],
    )


def _supply_in(station: StationTrack, piece: Piece) -> tuple[str | None, str | None]:
    """Part and kind of what was in the slot when it stood, else what was loaded."""
    here = [each for each in station.supplies if each.slot == piece.slot and each.at <= piece.since]
    for each in (*here[-1:], piece.supplied):
        if each is not None and each.part is not None:
            return each.part, each.kind
    return station.parts.get(piece.slot or "", (None, None))


def _root(piece: Piece, places: Mapping[str, Place]) -> tuple[str, Piece] | None:
    """The station that stood first, and how it stood; ``None`` where the neighbour was only slower."""
    seen: set[str] = set()
    while piece.cause in _WAITING and piece.neighbour is not None and piece.neighbour not in seen:
        seen.add(piece.neighbour)
        other = _longest(places[piece.neighbour], piece)
        if other is None:
            return None
        if other.cause not in _WAITING:
            return piece.neighbour, other
        piece = other
    return None


def _longest(place: Place, during: Piece) -> Piece | None:
    """The one that it stood for longest in that time or shortly before: panels on the way between both
    delay what follows from a stop. That it waits for the one that waits isn't why."""
    back = Cause.STARVED if during.cause is Cause.HELD else Cause.HELD
    since = during.since - _ON_THE_WAY * round(place.run.usual or 0.0)
    overlaps = [
        (min(each.until, during.until) - max(each.since, since), -number, each)
        for number, each in enumerate(place.pieces)
        if each.since < during.until and each.until > since and each.cause is not back
    ]
    return max(overlaps)[2] if overlaps else None
