"""Where one supply takes over from another, in parts and panels: at an exchange, a refill that only the
counts tell of, a joint; and what counts show of it afterwards."""

from __future__ import annotations

from math import ceil, floor

import msgspec

from service.domain.calendar import hours_of
from service.domain.lately import panels_since
from service.domain.model import SECOND, Instant
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState
from service.domain.stays import Edge, Stay
from service.domain.world import World

HAND = 120 * SECOND
"""A person says what was done after doing it: so much later at most."""
_OFF = 10
"""Panels reckoned back from the takt may be wrong by one, and by a tenth."""
replace = msgspec.structs.replace


class Turn(msgspec.Struct, frozen=True):
    """One change of what is in a slot: when it ``happened``, and the ``moment`` by which parts used ``since``
    are reckoned back; ``was`` and ``sight`` are the slot before it; not ``timed``: somebody said it by
    hand."""

    world: World
    station: StationState
    slot: SlotState
    was: SlotState
    sight: Sight
    by: str | None
    happened: Instant
    moment: Instant
    at: Instant
    since: int = 0
    timed: bool = True


def here(turn: Turn, chain: list[Stay]) -> Edge:
    """Where a supply that was just exchanged takes over. The next count shows how far the panel was then; who
    says so by hand may be late, and what is said with an earlier time is reckoned back."""
    station, slot = turn.station, turn.slot
    usage = turn.sight.usage or 0.0
    held = turn.was.held if turn.was.out_since is not None else 0
    if held > turn.since:
        early = station.progress - turn.was.held_panels
        used = slot.used - held
        return _behind(Edge(turn.happened, used, used, used, early, station.progress + 1), chain)
    hours = hours_of(turn.world.policy, station.line)
    ago = panels_since(station, turn.moment, hours) if turn.since else 0
    off = 1 + ago // _OFF if ago else 0
    used, late = slot.used - turn.since, None if not ago else station.progress - ago + off
    if not turn.timed and turn.was.out_since is None:
        off += panels_since(station, turn.at - HAND, hours)
    early = max(0, station.progress - ago - off)
    low, high = used - round(off * usage), used + round((off if ago else 0) * usage)
    return _behind(Edge(turn.happened, used, low, high, early, late), chain)


def _behind(edge: Edge, chain: list[Stay]) -> Edge:
    """No supply is over before it began."""
    begun = next((stay.begun for stay in reversed(chain) if stay.begun.is_passed), None)
    if begun is None:
        return edge
    return Edge(
        edge.at,
        max(edge.used, begun.used),
        max(edge.low, begun.low),
        None if edge.high is None else max(edge.high, begun.high or 0),
        None if edge.early is None else max(edge.early, begun.early or 0),
        None if edge.late is None or begun.late is None else max(edge.late, begun.late),
    )


def seen(turn: Turn, chain: list[Stay], usage: float | None, panels: int, lead: float) -> Edge:
    """Where a supply took over that only the counts tell of."""
    was, station, law = turn.was, turn.station, turn.sight.law
    used = turn.slot.used - turn.slot.counted
    if was.removed or was.out_since is not None:
        early = station.progress - was.held_panels
        at = turn.at if was.out_since is None else was.out_since
        late = min(station.progress, early + max(1, panels))
        return _behind(Edge(at, used, used, used, early, late), chain)
    each = usage or 1.0
    if was.low_ended is not None and (was.declared is None or was.assumed):
        low, high = used - round(each), used + round(each)
    else:
        unseen = max(0.0, lead if was.told_left is None else float(was.told_left))
        low = used - ceil(unseen + was.missing - min(0.0, law.lowest))
        high = min(turn.slot.used, used + ceil(max(0.0, law.most)))
    early = station.progress - ceil((turn.slot.used - low) / each) - 1
    late = station.progress - floor((turn.slot.used - high) / each) + 1
    return _behind(Edge(turn.at, used, low, high, max(0, early), late), chain)


def joint(turn: Turn, used: int, ahead: int | None) -> Edge:
    """Where a joint should pass: after the rest of what is before it, as far as labels are to be trusted."""
    if ahead is None:
        return Edge(None, used, used, None)
    law, was = turn.sight.law, turn.was
    less = max(0.0, -law.lowest) + was.unseen + was.missing
    more = max(0.0, law.most, law.highest)
    low = used + max(0, floor(ahead - less))
    return Edge(None, used + ahead, low, max(low, used + ceil(ahead + more) - 1))


def after_gap(chain: list[Stay], edge: Edge) -> Edge:
    """What was placed since nothing was loaded came out of what is loaded now."""
    gone = chain[-1].ended if chain else None
    if gone is None or gone.used >= edge.used:
        return edge
    return replace(edge, used=gone.used, low=gone.low, high=gone.high, early=gone.early, late=gone.late)


def cut(joint: Edge, edge: Edge) -> Edge:
    """A joint that hadn't passed for sure when all was replaced."""
    if joint.early is None:
        return edge
    used = min(joint.used, edge.used)
    high = edge.high if joint.high is None or edge.high is None else min(joint.high, edge.high)
    late = edge.late if joint.late is None else joint.late
    return replace(joint, at=joint.at or edge.at, used=used, high=high, late=late)


def shown(edge: Edge, used: int, progress: int, work: int, at: Instant) -> Edge:
    """The edge after a count: ``progress`` panels were complete before it, ``work`` is the one in work."""
    if edge.is_settled:
        return edge
    early, late, when = edge.early, edge.late, edge.at
    if when is None and used >= edge.used:
        when = at
    if early is None and (used > edge.low or when is not None):
        early = progress
    if late is None and early is not None and edge.high is not None and used > edge.high:
        late = max(early, work)
    if (early, late, when) == (edge.early, edge.late, edge.at):
        return edge
    return replace(edge, at=when, early=early, late=late)
