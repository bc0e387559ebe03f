"""Notices that stand by themselves: a silent gateway, an outlet that can't deliver, refused messages.

One stands for each thing at a time. Its id derives from what it is about and since when, so a replay finds
the same; what is worth a notice is decided by whoever calls."""

from __future__ import annotations

import hashlib
from zoneinfo import ZoneInfo

from service.domain import notices
from service.domain.model import Change, Instant, Level, Notice, NoticeState, to_rfc3339
from service.domain.notices import Told
from service.domain.said import Said, put
from service.domain.state import Standing
from service.domain.world import World

ENDED = "ended"


def begin(
    world: World,
    kind: str,
    about: str,
    said: Said,
    at: Instant,
    *,
    line: str | None = None,
    station: str | None = None,
    level: Level = Level.URGENT,
) -> list[Told]:
    """Tell of a trouble, unless the same is told of already. ``about`` tells apart troubles of one kind and
    place (an outlet's name)."""
    if find(world, kind, about, line=line, station=station) is not None:
        return []
    notice = anew(
        world,
        kind,
        said,
        at,
        name=name_of(kind, line or "", station or "", about, at),
        level=level,
        line=line,
        station=station,
        about=about,
    )
    world.stand(Standing(notice))
    return [Told(notice, Change.OPENED)]


def name_of(*what: object) -> str:
    """The id of a notice that these tell apart from every other."""
    return "n" + hashlib.sha256("\x1f".join(map(str, what)).encode()).hexdigest()[:20]


def anew(
    world: World,
    kind: str,
    said: Said,
    at: Instant,
    *,
    name: str,
    level: Level,
    line: str | None = None,
    station: str | None = None,
    slot: str | None = None,
    part: str | None = None,
    supply_kind: str | None = None,
    boundary_only: bool = False,
    state: str = NoticeState.OPEN,
    taken_by: str | None = None,
    reason: str | None = None,
    loading: str | None = None,
    about: str | None = None,
) -> Notice:
    """A notice that begins now and knows of no panels, put into words."""
    return Notice(
        id=name,
        kind=kind,
        line=line,
        station=station,
        slot=slot,
        part=part,
        supply_kind=supply_kind,
        boundary_only=boundary_only,
        level=level.value,
        state=state,
        taken_by=taken_by,
        reason=reason,
        opened_at=to_rfc3339(at),
        changed_at=to_rfc3339(at),
        panels_to_empty=None,
        empty_at=None,
        message=put(said, ZoneInfo(world.policy.timezone)),
        loading=loading,
        about=about,
        said=said,
    )


def end(
    world: World,
    kind: str,
    about: str,
    at: Instant,
    *,
    line: str | None = None,
    station: str | None = None,
    because: str = ENDED,
) -> list[Told]:
    """The trouble is over: its notice closes, if there is one."""
    standing = find(world, kind, about, line=line, station=station)
    told = None if standing is None else notices.close(standing, because, at)
    if standing is None or told is None:
        return []
    world.stand(standing)
    return [told]


def find(
    world: World, kind: str, about: str, *, line: str | None = None, station: str | None = None
) -> Standing | None:
    """The notice that stands about it, taken and quiet ones too."""
    for name in world.standing_at.get((line or "", station or ""), ()):
        notice = world.standing[name].notice
        if notice is not None and (notice.kind, notice.about) == (kind, about):
            return world.standing[name]
    return None


def speak_again(world: World, line: str, station: str, at: Instant) -> list[Told]:
    """Those of one place (empty names: of the line, of the site) whose quiet spell is over."""
    told: list[Told] = []
    for name in sorted(world.standing_at.get((line, station), ())):
        standing = world.standing[name]
        if notices.quiet_is_over(standing, progress=progress(world, line, station), at=at):
            told.append(notices.speak_again(standing, at))
            world.stand(standing)
    return told


def progress(world: World, line: str, station: str) -> int:
    """Panels that passed there; 0 where there is no station."""
    found = world.stations.get((line, station))
    return 0 if found is None else found.progress
