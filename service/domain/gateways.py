"""Which gateway a station's counts come from, and what follows when one isn't heard.

A station is counted by one source at a time: two that say the same placements would count them twice. When
another takes over, its first totals are a beginning, whatever they are."""

from __future__ import annotations

from service.domain import standing
from service.domain.events import GatewayReport
from service.domain.heard import Source
from service.domain.model import SECOND, Instant, to_rfc3339
from service.domain.notices import Told
from service.domain.said import Said
from service.domain.state import StationState
from service.domain.world import World

KIND = "silent"
OWN = "mqtt"
"""What the source of ``[mqtt]`` is called where people read of it."""
HANDOVER = 600 * SECOND
"""So long after the last count of one source another may count a station; a gateway that is exchanged takes
longer, and one that only starts anew doesn't."""


def may_count(station: StationState | None, at: Instant) -> bool:
    """Whether counts of another source are believed for this station."""
    if station is None or station.counted_at is None:
        return True
    return station.source.silent is not None or at - station.counted_at >= HANDOVER


def apply(world: World, report: GatewayReport, line: str, station: str | None, at: Instant) -> list[Told]:
    if report.state == "counts":
        _hand_over(world.station(line, station or ""), report.source)
        return []
    since, well = report.since or at, report.state == "well"
    for place in _counted_by(world, report.source):
        if well != (world.stations[place].source.silent is None):
            now = Source(report.source, back=at) if well else Source(report.source, since)
            world.station(*place).source = now
    if well:
        return standing.end(world, KIND, called(report.source), at)
    return standing.begin(world, KIND, called(report.source), _words(report, at), at)


def called(source: str) -> str:
    return source or OWN


def source_of(station: StationState) -> str | None:
    """Which source counts it, as people read it; ``None``: nothing was counted yet."""
    return None if station.counted_at is None else called(station.source.name)


def silent(world: World) -> dict[str, Instant | None]:
    """The sources of which it is known that they aren't heard, and since when where their stations tell."""
    known: dict[str, Instant | None] = {}
    for standing_now in world.standing.values():
        notice = standing_now.notice
        if notice is not None and notice.kind == KIND and notice.line is None and notice.about:
            known["" if notice.about == OWN else notice.about] = None
    for station in world.stations.values():
        if station.source.silent is not None:
            known[station.source.name] = station.source.silent
    return known


def stale_since(station: StationState) -> Instant | None:
    """Since when a station's numbers can't have moved, because nothing is heard of it; ``None``: it is."""
    if station.link == "offline" and station.link_since is not None:
        return max(station.link_since, station.counted_at or 0)
    return station.source.silent


def _counted_by(world: World, source: str) -> list[tuple[str, str]]:
    return [
        place
        for place, each in sorted(world.stations.items())
        if each.counted_at is not None and each.source.name == source
    ]


def _hand_over(station: StationState, source: str) -> None:
    """Nothing that the other said is a beginning of what this one says, no session of the other is one of
    this, and that the other's link is gone is no word about this one."""
    station.source = Source(source)
    station.heard = station.in_full = False
    station.session = station.seq = station.last_at = None
    station.panels = station.panel_at = None
    station.replaced.clear()
    station.given_up = station.given_up or bool(station.holes)
    if station.link == "offline":
        station.link = station.link_since = None
    station.holes.clear()
    station.unheard.clear()
    station.clocks.clear()
    for slot in station.slots.values():
        slot.base_placed = slot.base_lost = slot.base_empty = None
        slot.unsaid = 0


def _words(report: GatewayReport, at: Instant) -> Said:
    values = {"source": called(report.source), "since_at": to_rfc3339(report.since or at)}
    if report.reason == "away":
        return Said(
            "The broker of source {source} hasn't been reached since {since_at}. Nothing warns of the slots"
            " that it speaks of.",
            values,
        )
    return Said(
        "Source {source} has said nothing since {since_at}. Nothing warns of the slots that it speaks of.",
        values,
    )
