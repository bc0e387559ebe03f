"""The supplies that came to their end in a recording, and when people heard of each, as somebody goes
through the recording under these or other settings.

What ran out is known to have been empty then. What was exchanged before would have gone on: when it would
have been empty, and when the warning would have come that it didn't live to see, is projected from what was
left and the pace, as if nothing unusual had come of the panels between.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from service.domain import clock, judge, undo
from service.domain import slot as supplies
from service.domain.calendar import hours_of
from service.domain.events import SupplyMessage
from service.domain.judge import Case
from service.domain.model import (
    Change,
    Instant,
    Level,
    Notice,
    NoticeState,
    Spread,
    to_rfc3339,
)
from service.domain.notices import Told, notice_id
from service.domain.outcome import clock_times, forecast, is_boundary_only
from service.domain.routing import hearing
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState
from service.domain.world import SlotPlace, World

REACH = 60
"""Panels left at most in a supply that was exchanged because it came to its end; whoever looks at a slot that
lasts longer leaves it alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """A level that people heard of. ``panels``: how many the station had made then; ``projected``: it would
    have come, had the supply not been exchanged."""

    at: Instant
    level: str
    panels: int
    outlets: tuple[str, ...]
    projected: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Emptied:
    """A supply that came to its end. ``begun``: when it was loaded, as far as that was seen; ``end``: when it
    was or would have been empty, the station having made ``panels``; ``refilled``: when the next was there;
    ``low``: when the tower called it low, ``low_panels`` before its end; ``takt`` in seconds, ``lead`` the
    panels asked for."""

    place: SlotPlace
    part: str | None
    kind: str | None
    notice: str
    begun: Instant | None
    end: Instant
    refilled: Instant
    ran_out: bool
    panels: int
    takt: float
    lead: int
    boundary_only: bool
    low: Instant | None
    low_panels: int | None
    words: tuple[Word, ...]

    @property
    def told(self) -> Word | None:
        """The first word in time."""
        return next((word for word in self.words if word.at < self.end), None)

    @property
    def given(self) -> int | None:
        """Panels from the first word in time to the end."""
        return None if self.told is None else max(0, self.panels - self.told.panels)


@dataclass(slots=True)
class _Seen:
    """What became known of a slot since its last refill."""

    begun: Instant | None = None
    low: tuple[Instant, int] | None = None
    out: tuple[Instant, int] | None = None
    words: list[Word] = field(default_factory=list)


class Emptyings:
    """``found`` are those so far, in the order in which they were exchanged. ``before_supply`` is asked
    before an exchange is applied; the others after each event that they are about."""

    def __init__(self, world: World) -> None:
        self.found: list[Emptied] = []
        self._world = world
        self._seen: dict[SlotPlace, _Seen] = defaultdict(_Seen)
        self._before: dict[SlotPlace, _Seen] = {}

    def before_supply(self, line: str, name: str, message: SupplyMessage, at: Instant) -> None:
        """An exchange may end a supply that came to its end."""
        station = self._world.stations.get((line, name))
        slot = None if station is None else station.slots.get(message.slot)
        if station is None or slot is None or message.change not in ("loaded", "joined", "undone"):
            return
        place = line, name, message.slot
        if message.change == "undone":
            if undo.can_undo(slot, message.undoes or "", at):
                self._undo(place)
            return
        sight = self._world.sight(station, slot)
        happened = clock.own_moment(station, clock.SUPPLY, message.at, at)
        if supplies.puts_a_word_to_refill(slot, message, sight.rule, happened):
            return
        same = message.part is None or slot.part is None or message.part == slot.part
        self._ended(place, station, slot, min(happened, at), as_before=same)
        self._begin(place, min(happened, at))

    def seen_refilled(self, line: str, name: str, slots: Iterable[str], at: Instant) -> None:
        """The counts of this moment may show that supplies were exchanged."""
        station = self._world.stations[line, name]
        for each in slots:
            if each in station.slots and station.slots[each].refilled_unsaid == at:
                self._believed((line, name, each), station, station.slots[each], at)
                self._begin((line, name, each), at)

    def signals(self, line: str, name: str) -> None:
        """What the tower shows of the station's slots now."""
        station = self._world.stations[line, name]
        for slot in station.slots.values():
            seen = self._seen[line, name, slot.name]
            if slot.low_since is not None and seen.low is None:
                seen.low = slot.low_since, station.progress
            if slot.out_since is not None and seen.out is None:
                seen.out = slot.out_since, station.progress

    def hear(self, told: Told, at: Instant) -> None:
        """People were told: what calls for somebody, and what got worse while somebody had it."""
        notice = told.notice
        if notice.kind != "supply" or told.change is Change.CLOSED or notice.slot is None:
            return
        place = str(notice.line), str(notice.station), notice.slot
        words = self._seen[place].words
        worst = max((Level(word.level).rank for word in words), default=0)
        if told.calls or Level(notice.level).rank > worst:
            panels = self._world.stations[place[:2]].progress
            words.append(Word(at=at, level=notice.level, panels=panels, outlets=told.outlets or ()))

    # The end of one

    def _begin(self, place: SlotPlace, at: Instant) -> None:
        self._before[place] = self._seen[place]
        self._seen[place] = _Seen(begun=at)

    def _undo(self, place: SlotPlace) -> None:
        """The last exchange wasn't one."""
        begun = self._seen[place].begun
        self._seen[place] = self._before.pop(place, _Seen())
        self.found = [each for each in self.found if each.place != place or each.refilled != begun]

    def _ended(
        self, place: SlotPlace, station: StationState, slot: SlotState, at: Instant, *, as_before: bool
    ) -> None:
        sight, seen = self._world.sights_of(station)[slot.name], self._seen[place]
        case = judge.case_of(self._world.line(station.line), station, slot, self._world.sights_of(station))
        draft = self._draft(place, slot, sight, at)
        if draft is None or (slot.out_since is None and (case is None or not as_before)):
            return
        if slot.out_since is not None:
            out = seen.out or (slot.out_since, station.progress)
            self._keep(replace(draft, end=min(out[0], at), panels=out[1], ran_out=True))
        elif case is not None:
            left = forecast([case])[0].p50
            if left <= REACH and (case.needed is None or left < case.needed):
                end = self._after(station, left, at)
                draft = replace(draft, end=end, panels=station.progress + left)
                words = *draft.words, *self._projected(station, sight, case, draft)
                self._keep(replace(draft, words=words))

    def _believed(self, place: SlotPlace, station: StationState, slot: SlotState, at: Instant) -> None:
        """By now another supply is in it, so no more is known than when it was out, or that it is over."""
        draft = self._draft(place, slot, self._world.sights_of(station)[slot.name], at)
        if draft is not None:
            out = self._seen[place].out
            end, panels = out or (at, station.progress)
            self._keep(replace(draft, end=min(end, at), panels=panels, ran_out=out is not None))

    def _draft(self, place: SlotPlace, slot: SlotState, sight: Sight, at: Instant) -> Emptied | None:
        """``None`` while the takt is unknown."""
        seen, station = self._seen[place], self._world.stations[place[:2]]
        takt = judge.takt_of(station)
        if takt is None:
            return None
        return Emptied(
            place=place,
            part=sight.part,
            kind=slot.kind,
            notice=notice_id(station, slot),
            begun=seen.begun,
            end=at,
            refilled=at,
            ran_out=False,
            panels=station.progress,
            takt=takt,
            lead=judge.lead_of(sight, station),
            boundary_only=is_boundary_only(slot, sight),
            low=None if seen.low is None else seen.low[0],
            low_panels=None if seen.low is None else seen.low[1],
            words=tuple(seen.words),
        )

    def _keep(self, ended: Emptied) -> None:
        made = ended.low_panels
        low_panels = None if made is None else max(0, ended.panels - made)
        self.found.append(replace(ended, low_panels=low_panels))

    def _after(self, station: StationState, panels: int, at: Instant) -> Instant:
        """When so many more panels will have run, at the line's pace and in its hours."""
        hours = hours_of(self._world.policy, station.line)
        times = clock_times(station, Spread(panels, panels, panels), hours)
        return at if times is None else max(at, times.p50)

    def _projected(self, station: StationState, sight: Sight, case: Case, ended: Emptied) -> Iterator[Word]:
        """The levels that would still have come before it was empty."""
        worst = max((Level(word.level).rank for word in ended.words), default=0)
        limits, left = sight.limits, ended.panels - station.progress
        edge = _edge(case, limits.chance, left + ended.lead)
        for level, lead in ((Level.EARLY, ended.lead), (Level.URGENT, limits.urgent_panels)):
            panels = max(0, edge - lead)
            if level.rank > worst and panels < left:
                at = self._after(station, panels, ended.refilled)
                notice = notice_of(ended, level, at)
                yield Word(
                    at=at,
                    level=level.value,
                    panels=station.progress + panels,
                    outlets=hearing(self._world.policy, notice, at).outlets,
                    projected=True,
                )


def notice_of(
    ended: Emptied, level: Level, at: Instant, *, state: NoticeState = NoticeState.OPEN, version: int = 1
) -> Notice:
    """Its notice, as far as routes and outlets ask of it."""
    line, station, slot = ended.place
    return Notice(
        id=ended.notice,
        kind="supply",
        line=line,
        station=station,
        slot=slot,
        part=ended.part,
        supply_kind=ended.kind,
        boundary_only=ended.boundary_only,
        level=level.value,
        state=state,
        opened_at=to_rfc3339(at),
        changed_at=to_rfc3339(at),
        panels_to_empty=None,
        empty_at=None,
        message="",
        version=version,
    )


def _edge(case: Case, chance: float, most: int) -> int:
    """The fewest panels within which it is empty with that chance, by halving; ``most`` at most."""
    low, high = -1, max(0, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if case.chance_within(middle) >= chance else (middle, high)
    return high
