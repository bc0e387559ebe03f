"""What the pages, the API and the retained topics show: committed state only, in the contract's JSON.

Reads the bytes that were committed, so it never waits for the writer and never shows what isn't stored.
The same numbers therefore stand in the API, on the page and in the topic."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import msgspec

from service.domain import explain, judge, outage, record
from service.domain.calendar import shift_at
from service.domain.history import Record, summed
from service.domain.memory import Memory
from service.domain.model import Instant, Notice, NoticeState, to_rfc3339
from service.domain.recent import recent
from service.domain.state import (
    SITE_KEY,
    LineState,
    SlotState,
    Standing,
    StationState,
    line_key,
    station_key,
    supply_key,
)
from service.domain.who import WEEK, spans, who
from service.domain.world import World
from service.ports import Archive
from service.usecases.export import export
from service.usecases.fetch import fetch_object, planned_in, ready_object, span
from service.usecases.handover import AROUND_ITS_END, Turn, assemble, turn_of
from service.usecases.lines import line_object, outlines
from service.usecases.planned import plan_object
from service.usecases.recording import Seal
from service.usecases.slots import Json, complete, draft, soonest
from service.usecases.supplied import read_supplies, supply_objects
from service.usecases.together import every
from service.usecases.told import record_object, span_objects, who_object

Place = tuple[str, str, str]
"""Line, station, slot."""
PLANNED = 200
"""Panels ahead in which a fetch list goes by the plan."""
_lines = msgspec.msgpack.Decoder(LineState)
_records = msgspec.msgpack.Decoder(Record)
_standing = msgspec.msgpack.Decoder(Standing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """The reading side (port ``Reading``) over the committed states of the owner in this process, or of all
    shards (``journals``: each one's). Without a ``clock`` it is as late as what was last heard: so where the
    time is what the messages say."""

    committed: Mapping[str, bytes]
    archive: Archive
    journals: Sequence[Archive] = ()
    site: str
    reasons: Callable[[], list[str]]
    clock: Callable[[], Instant] | None = None
    unattended: Callable[[str], Instant | None] = lambda _line: None
    """Since when nobody has been in charge of a line, where that is so."""
    memory: Memory = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "memory", Memory(fetch=self.committed.get))

    def lines(self) -> list[Json]:
        world = self._attended(outlines(self.committed))
        return [line_object(world, world.lines[name]) for name in sorted(world.lines)]

    def slots(self, line: str) -> list[Json] | None:
        world = self.world_of(line)
        if line not in world.lines:
            return None
        return slot_objects(world, list(world.stations.values()))

    def slot(self, line: str, station: str, slot: str) -> Json | None:
        world = self.world_of(line, station)
        found = [each for each in slot_objects(world, list(world.stations.values())) if each["slot"] == slot]
        return found[0] if found else None

    def explained(self, line: str, station: str, slot: str) -> Json | None:
        """The slot object and ``why``: the sentences and figures behind its number."""
        world = self.world_of(line, station)
        place = world.stations.get((line, station))
        if place is None or slot not in place.slots:
            return None
        shown = next(each for each in slot_objects(world, [place]) if each["slot"] == slot)
        return shown | {"why": _why(world, place, place.slots[slot], shown)}

    def notices(
        self,
        *,
        states: Sequence[str] | None,
        limit: int,
        after: str | None,
        place: Mapping[str, str] | None = None,
    ) -> list[Json]:
        return self._refreshed(self.archive.notices(states=states, limit=limit, after=after, place=place))

    def open_notices(self, line: str, said: Callable[[str, str, str], Json | None]) -> list[Json]:
        """The line's, with the numbers that were ``said`` of line, station and slot where there are any."""
        kept = self.archive.notices(states=None, limit=1000, after=None, place={"line": line})
        return self._refreshed(kept, said)

    def notice(self, notice_id: str) -> Json | None:
        kept = self.archive.notice(notice_id)
        return None if kept is None else self._refreshed([kept])[0]

    def recent(self, line: str | None) -> tuple[Instant, list[tuple[Instant, Instant]]]:
        world = self.world_of(line)
        at = self.now(world)
        return at, recent(world.policy, line, at)

    def handover(self, *, line: str | None, hours: float) -> Json | None:
        """What one shift tells the next of a line, or of all."""
        world = self.world_of(line)
        if line is not None and line not in world.lines:
            return None
        at = self.now(world)
        turn = turn_of(shift_at(world.policy, line, at - AROUND_ITS_END), at)
        return self.handed(world.lines, turn, at=at, hours=hours, line=line)

    def handed(
        self, lines: Collection[str], turn: Turn, *, at: Instant, hours: float, line: str | None = None
    ) -> Json:
        """The same of some ``lines`` and this time; ``line``: the only one."""
        world, here = self.world_of(line), {} if line is None else {"line": line}
        return assemble(
            line=line,
            lines=[line_object(world, world.lines[name]) for name in sorted(world.lines) if name in lines],
            slots=slot_objects(world, [each for each in world.stations.values() if each.line in lines]),
            notices=_about(self.notices(states=None, limit=1000, after=None), lines),
            closed=_about(self.notices(states=["closed"], limit=1000, after=None, place=here), lines),
            at=at,
            turn=turn,
            hours=hours,
        )

    def supplies(self, name: str | None = None) -> list[Json]:
        """Those that have a name, or the one of this name, with their floor lives as of now."""
        known = read_supplies(self.committed, list(self.committed) if name is None else [supply_key(name)])
        keys = [SITE_KEY]
        for line, station in {each.where[:2] for each in known if each.where is not None}:
            keys += [line_key(line), station_key(line, station)]
        states = {key: data for key in keys if (data := self.committed.get(key)) is not None}
        world = World.from_states(states, self.memory)
        world.supplies = {each.name: each for each in known}
        return supply_objects(world, self.now(world))

    def learned(self, *, limit: int) -> list[Json]:
        """What finished supplies taught: by kind, then by part, of which most were finished first."""
        keys = sorted(key for key in list(self.committed) if key.startswith("law/"))
        kept = [known for key in keys if (known := self.memory.kept(key)) is not None]
        kept.sort(key=lambda known: (known.part is not None, -known.finished))
        return [self.memory.summary(known) for known in kept[:limit]]

    def record(self) -> Json:
        """How the promise of the warnings stands."""
        return record_object(self.records(), self._broken_promises())

    def records(self) -> list[Record]:
        return summed(map(_records.decode, every(self.committed, "record/")))

    def _broken_promises(self) -> dict[str, str]:
        """By kind of supply the notice that says so."""
        standing = (_standing.decode(data).notice for data in every(self.committed, "notice/"))
        return {
            notice.about: notice.id
            for notice in standing
            if notice is not None and notice.kind == record.KIND and notice.about is not None
        }

    def refused(self, *, limit: int, after: int | None) -> list[Json]:
        return [
            {
                "id": row.id,
                "topic": row.topic,
                "reason": row.reason,
                "payload": row.payload,
                "times": row.times,
                "first_seen": to_rfc3339(row.first_seen),
                "last_seen": to_rfc3339(row.last_seen),
            }
            for row in self.archive.refused(limit=limit, after=after)
        ]

    def plan(self, line: str, *, panels: int) -> Json | None:
        world = self.world_of(line)
        return plan_object(world, line, panels=panels, at=self.now(world)) if line in world.lines else None

    def fetch(self, line: str, *, until: Instant | None, hours: float | None) -> Json | None:
        """What to fetch for a line, as its plan stands."""
        world, plan = self.world_of(line), self.plan(line, panels=PLANNED)
        if plan is None or line not in world.lines:
            return None
        at = self.now(world)
        shift = shift_at(world.policy, line, at)
        return fetch_object(
            world,
            line,
            at=at,
            until=span(shift, at, until=until, hours=hours),
            ends=None if shift is None else shift[1],
            planned=planned_in(plan),
        )

    def ready(self, line: str, part: str, kind: str | None) -> Json:
        """What stands ready of a part, and who said so last."""
        return ready_object(_lines.decode(self.committed[line_key(line)]), part, kind)

    def now(self, world: World) -> Instant:
        """The moment it is for those who look: the clock's, or the last that was counted there."""
        if self.clock is not None:
            return self.clock()
        return max((each.counted_at or 0 for each in world.stations.values()), default=0)

    def who(self, notice: Notice, *, at: Instant) -> Json:
        """Who would hear of it then, by the settings in force and what can be reached now."""
        world = self._site()
        return who_object(who(world.policy, notice, at, failing=outage.troubled(world)), at)

    def who_in_a_week(self, notice: Notice, *, at: Instant) -> list[Json]:
        return span_objects(spans(self._site().policy, notice, at, at + WEEK))

    def _site(self) -> World:
        """The settings in force and what stands by itself, without any line."""
        chosen = (key for key in list(self.committed) if key.startswith((SITE_KEY, "notice/")))
        return World.from_states(
            {key: data for key in chosen if (data := self.committed.get(key)) is not None}
        )

    def events(
        self, *, since: Instant | None, until: Instant | None, sealed: bool = False
    ) -> Iterator[bytes]:
        """The state as it was at ``since``, folded from the nearest checkpoint, then every entry."""
        first, *beside = self.journals or [self.archive]
        seal = Seal() if sealed else None
        return export(first, self.site, since=since, until=until, seal=seal, beside=beside)

    def not_ready(self) -> list[str]:
        return self.reasons()

    def world_of(self, line: str | None, station: str | None = None) -> World:
        """The committed world, or one line's or station's part of it. Stale where nobody is in charge."""
        if line is None:
            chosen = [key for key in list(self.committed) if key.startswith(("line/", "station/"))]
        elif station is None:
            prefix = station_key(line, "")
            chosen = [line_key(line), *(key for key in list(self.committed) if key.startswith(prefix))]
        else:
            chosen = [line_key(line), station_key(line, station)]
        states = {key: data for key in (SITE_KEY, *chosen) if (data := self.committed.get(key)) is not None}
        return self._attended(World.from_states(states, self.memory))

    def _attended(self, world: World) -> World:
        """Stale where nobody is in charge."""
        for (name, _), known in world.stations.items():
            since = self.unattended(name)
            if since is not None:
                known.source = msgspec.structs.replace(known.source, silent=known.source.silent or since)
        return world

    def _refreshed(
        self, kept: list[Notice], said: Callable[[str, str, str], Json | None] = lambda *_: None
    ) -> list[Json]:
        """Open supply notices with today's numbers."""
        slots = {slot for notice in kept if (slot := _open_slot(notice)) is not None}
        current = {slot: known for slot in slots if (known := said(*slot)) is not None}
        for line, station in {slot[:2] for slot in slots - current.keys()}:
            world = self.world_of(line, station)
            for each in slot_objects(world, list(world.stations.values())):
                current.setdefault((line, station, str(each["slot"])), each)
        return [_notice_object(notice, current) for notice in kept]


def _about(notices: Iterable[Json], lines: Collection[str]) -> list[Json]:
    """Those about one of the lines, or about the whole site."""
    return [each for each in notices if each["line"] is None or each["line"] in lines]


def _open_slot(notice: Notice) -> Place | None:
    if notice.kind != "supply" or notice.state == NoticeState.CLOSED:
        return None
    if notice.line is None or notice.station is None or notice.slot is None:
        return None
    return notice.line, notice.station, notice.slot


def _notice_object(notice: Notice, current: Mapping[Place, Json]) -> Json:
    shown: Json = msgspec.to_builtins(notice)
    place = _open_slot(notice)
    slot = None if place is None else current.get(place)
    if slot is not None:
        shown |= {"panels_to_empty": slot["panels_to_empty"], "empty_at": slot["empty_at"]}
    return shown


def slot_objects(world: World, stations: Sequence[StationState]) -> list[Json]:
    """The contract's slot objects of these stations, soonest first; one vectorised forecast for all."""
    drafts = [draft(world, station, slot) for station in stations for slot in station.slots.values()]
    complete(drafts)
    return sorted((each.shown for each in drafts), key=soonest)


def _why(world: World, station: StationState, slot: SlotState, shown: Json) -> Json:
    sights = world.sights_of(station)
    told = {key: shown[key] for key in ("state", "chance")} | {"panels": shown["panels_to_empty"]}
    told["short"] = shown["order_short"]
    if isinstance(shown["remaining"], dict):
        told |= {key: shown["remaining"][key] for key in ("low", "expected", "high")}
    why: Json = msgspec.to_builtins(
        explain.why(
            station,
            slot,
            sights[slot.name],
            judge.case_of(world.line(station.line), station, slot, sights),
            msgspec.convert(told, explain.Forecast),
        )
    )
    return why
