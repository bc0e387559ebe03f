"""Every outlook that a recording gives, as JSON lines: what the program would have shown after each event.

For scoring histories from here or elsewhere. Nothing is stored and nobody is told; it needs no more memory
for a longer recording. Lines are the journal's CloudEvents or plain ``{"topic", "payload", "at"}``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from functools import partial

import msgspec
import numpy as np
from msgspec.structs import replace

from service.desk import Unfit
from service.domain import floor
from service.domain.events import CountMessage, JournalEntry, Message, OrderMessage, SupplyMessage
from service.domain.inquiry import Question, Questions
from service.domain.life import Taken
from service.domain.model import Instant, Notice, from_datetime, to_rfc3339
from service.domain.notices import Told
from service.domain.outlook import chances_due
from service.domain.policy import Policy
from service.domain.state import StationState
from service.domain.world import Place, SlotPlace, World
from service.usecases.fold import begin, fold
from service.usecases.recording import Reader
from service.usecases.slots import Draft, Json, complete, draft, soonest
from service.wire.journal import PlainLine, StartState, read_entry
from service.wire.native import Address, Misfit, read_message, read_topic

FEWER_THAN = (1, 2, 3, 5, 10, 20, 50, 100, 150, 200)
"""Panels k of which P(fewer than k complete panels are left) is printed."""
_KS = np.array(FEWER_THAN, dtype=np.float64)
_KEYS = tuple(map(str, FEWER_THAN))
Apply = Callable[[], list[Told] | None]
_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is printed. ``slots``: a shell pattern over line/station/slot; ``every``: after a count a slot is
    said again once its station went on by so many panels; ``root``: of the topics in plain lines."""

    slots: str = "*"
    every: int = 1
    root: str = "floor"


def foretell(pieces: Iterable[Sequence[bytes]], policy: Policy, wanted: Wanted) -> Iterator[bytes]:
    """For each event its outlooks and notices, one JSON line each. ``pieces``: the lines as they come to
    hand; those of a piece are reckoned and given together. The settings that a recording has rule from there
    on, ``policy`` until then. ``Unfit``: a line isn't ours; what came before it was given."""
    teller = _Teller(World(policy=policy), wanted)
    reader = Reader(plain=True)
    for piece in pieces:
        problem = _hear(teller, reader, piece)
        if said := teller.take():
            yield b"".join(_encode(each) + b"\n" for each in said)
        if problem is not None:
            raise problem
    reader.end()


def _hear(teller: _Teller, reader: Reader, piece: Sequence[bytes]) -> Unfit | None:
    """What is wrong with the first line that isn't ours."""
    for line in piece:
        try:
            what = reader.hear(line)
            if what is not None:
                teller.hear(reader.number, what)
        except Unfit as unfit:
            return unfit
        except (Misfit, msgspec.MsgspecError) as misfit:
            return reader.unfit(misfit)
    return None


@dataclass(frozen=True, slots=True)
class _Event:
    """What is to be said of one: slots, their limits of ``due``, and the notices that changed."""

    head: Json
    drafts: list[Draft]
    limits: list[float]
    told: list[Told]


@dataclass(slots=True)
class _Teller:
    """``said_at``: how many panels its station had passed when a slot was last said; ``waiting``: events
    whose numbers aren't reckoned yet; ``ready``: what is to be said."""

    world: World
    wanted: Wanted
    last_at: Instant = 0
    said_at: dict[SlotPlace, int] = field(default_factory=dict)
    waiting: list[_Event] = field(default_factory=list)
    ready: list[Json] = field(default_factory=list)

    def take(self) -> list[Json]:
        """Everything that is to be said so far."""
        self._reckon()
        taken, self.ready = self.ready, []
        return taken

    def hear(self, number: int, what: StartState | JournalEntry | PlainLine) -> None:
        """The event of line ``number``."""
        match what:
            case StartState():
                self._begin(what)
                return
            case PlainLine():
                address, message = self._read_plain(what)
            case JournalEntry():
                self.last_at = what.at
                if what.kind == "settings":
                    self._reckon()
                    self._hear(number, list(self.world.stations), lambda: fold(self.world, what))
                    return
                address, message = read_entry(what)
        apply = partial(
            floor.apply,
            self.world,
            message,
            line=address.line,
            station=address.station,
            at=self.last_at,
            retained=what.retained,
        )
        if isinstance(message, CountMessage):
            self._hear_count(number, address, message, apply)
        else:
            self._hear(number, self._concerned(address, message), apply)

    def _begin(self, start: StartState) -> None:
        policy, self.last_at = self.world.policy, start.at
        self.world = begin(start)
        if self.world.policy == Policy():
            self.world.change_policy(policy)

    def _read_plain(self, line: PlainLine) -> tuple[Address, Message]:
        address = read_topic(line.topic.encode(), self.wanted.root)
        message = read_message(address, bytes(line.payload))
        said = line.at or getattr(message, "at", None)
        self.last_at = max(self.last_at + 1, 0 if said is None else from_datetime(said))
        return address, message

    def _concerned(self, address: Address, message: Message) -> list[Place]:
        """The stations at which the event may change an answer."""
        if isinstance(message, OrderMessage):
            return [place for place in self.world.stations if place[0] == address.line]
        places = [] if address.station is None else [(address.line, address.station)]
        known = self.world.supplies.get(message.supply or "") if isinstance(message, SupplyMessage) else None
        if known is not None and known.where is not None and known.where[:2] in self.world.stations:
            places.append(known.where[:2])
        return list(dict.fromkeys(places))

    def _hear_count(self, number: int, address: Address, message: CountMessage, apply: Apply) -> None:
        """The slots that it names, and those that feed with them; all of the station where it names none."""
        told = apply()
        if told is None:
            return
        station = self.world.stations[address.line, address.station or ""]
        sights = self.world.sights_of(station)
        names = dict.fromkeys(message.slots or station.slots)
        names |= dict.fromkeys(mate for name in tuple(names) for mate in sights[name].group)
        due = [name for name in names if name in station.slots and self._is_time(station, name)]
        for name in due:
            self.said_at[station.line, station.station, name] = station.progress
        self._say(number, self._drafts(station, due), told)

    def _is_time(self, station: StationState, name: str) -> bool:
        before = self.said_at.get((station.line, station.station, name))
        return before is None or self.wanted.every <= 1 or station.progress >= before + self.wanted.every

    def _hear(self, number: int, places: list[Place], apply: Apply) -> None:
        """The slots there whose answer is another than before."""
        before = self._answers(places)
        try:
            told = apply()
        except (KeyError, Taken):
            told = None  # a person's act on a notice from before the recording changes no answer
        if told is not None:
            after = self._answers(places)
            changed = [
                each for name, each in after.items() if name not in before or before[name].shown != each.shown
            ]
            self._say(number, changed, told)

    def _answers(self, places: list[Place]) -> dict[SlotPlace, Draft]:
        stations = [station for place in places if (station := self.world.stations.get(place)) is not None]
        drafts = [each for station in stations for each in self._drafts(station, station.slots)]
        complete(drafts)
        return {(each.station.line, each.station.station, str(each.shown["slot"])): each for each in drafts}

    def _drafts(self, station: StationState, names: Iterable[str]) -> list[Draft]:
        """As the program shows them, which derives anew each time what is asked of a slot."""
        place = f"{station.line}/{station.station}"
        wanted = [name for name in names if fnmatchcase(f"{place}/{name}", self.wanted.slots)]
        for name in wanted:
            self.world.sight(station, station.slots[name])
        frozen = _frozen(station)
        return [draft(self.world, frozen, station.slots[name]) for name in wanted]

    def _say(self, number: int, drafts: list[Draft], told: list[Told]) -> None:
        self.world.touched.clear()
        limits = [
            self.world.sights_of(each.station)[str(each.shown["slot"])].limits.chance for each in drafts
        ]
        told = [each for each in told if fnmatchcase(_where(each.notice), self.wanted.slots)]
        head: Json = {"at": to_rfc3339(self.last_at), "event": number}
        self.waiting.append(_Event(head, drafts, limits, told))

    def _reckon(self) -> None:
        """Put the numbers of all that waits in, in one go."""
        events, self.waiting = self.waiting, []
        drafts = [each for event in events for each in event.drafts]
        complete(drafts)
        chances = iter(_chances_of([each.case.question for each in drafts if each.case is not None]))
        for event in events:
            outlooks = [
                {"type": "outlook"} | event.head | each.shown | _more(each, limit, chances)
                for each, limit in zip(event.drafts, event.limits, strict=True)
            ]
            self.ready += sorted(outlooks, key=soonest)
            self.ready += [
                {"type": "notice"} | event.head | {"change": each.change, "notice": each.notice}
                for each in event.told
            ]


def _frozen(station: StationState) -> StationState:
    """As it is now, for numbers that are reckoned later; its slots stay the living ones."""
    fields = ((name, getattr(station, name)) for name in station.__struct_fields__)
    return replace(station, **{name: list(value) for name, value in fields if isinstance(value, list)})


def _more(each: Draft, limit: float, chances: Iterator[list[float]]) -> Json:
    """What stands beside the slot object; ``None`` where there is no forecast."""
    chance = each.shown["chance"]
    return {
        "due": chance >= limit if isinstance(chance, float) else None,
        "chances": None if each.case is None else dict(zip(_KEYS, next(chances), strict=True)),
    }


def _chances_of(questions: list[Question]) -> list[list[float]]:
    """P(X < k) of each question for the k of ``FEWER_THAN``, one vectorised call."""
    if not questions:
        return []
    number = len(questions)
    all_ks = Questions.of(questions).rows(np.repeat(np.arange(number), len(_KS)))
    horizon = np.full(number * len(_KS), np.inf)
    return chances_due(all_ks, horizon, np.tile(_KS, number)).reshape(number, -1).tolist()


def _where(notice: Notice) -> str:
    return "/".join((notice.line or "", notice.station or "", notice.slot or ""))
