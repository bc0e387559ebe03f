"""Stories for the rules: what the floor says, in few lines and the real wire format, and what came of it.

One line and station unless a call names another. Time moves only when the story says so.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from service.domain import floor, judge
from service.domain.events import Message, PersonAct, Readied, SupplyCare, TimePassed
from service.domain.judge import Case
from service.domain.model import SECOND, Instant, Notice, from_datetime, to_datetime
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState
from service.domain.world import World
from service.wire.native import Address, read_message, read_topic

START = from_datetime(datetime(2026, 3, 2, 6, 0, tzinfo=UTC))
MINUTE = 60.0
HOUR = 3600.0


class Story:
    """``told`` is everything people heard so far; each call returns what it added (``None``: heard before
    already)."""

    def __init__(self, policy: Policy | None = None, *, line: str = "L3", station: str = "P1") -> None:
        self.world = World()
        self.now: Instant = START
        self.told: list[Told] = []
        self.line = line
        self.station_name = station
        self.takt = 20.0
        self.totals: dict[str, Counter[str]] = {}
        self.lost: dict[str, Counter[str]] = {}
        self.panels: Counter[str] = Counter()
        self.seq: Counter[str] = Counter()
        if policy is not None:
            self.set_policy(policy)

    # Time

    def later(self, seconds: float) -> Story:
        self.now += round(seconds * SECOND)
        return self

    def time(self, ago: float = 0.0, *, zone: str = "Z") -> str:
        """RFC 3339 of so many seconds ago."""
        moment = to_datetime(self.now - round(ago * SECOND))
        return moment.isoformat(timespec="microseconds").replace("+00:00", zone)

    # What the floor says

    def say(
        self, topic: str, message: Mapping[str, object] | bytes, *, retained: bool = False
    ) -> list[Told] | None:
        """Any message on any topic below ``floor``; each takes a microsecond, as in the journal."""
        payload = message if isinstance(message, bytes) else json.dumps(message).encode()
        address = read_topic(f"floor/{topic}".encode(), "floor")
        return self.happen(address, read_message(address, payload), payload, retained=retained)

    def happen(
        self, address: Address, event: Message, payload: bytes = b"", *, retained: bool = False
    ) -> list[Told] | None:
        """Any event; ``payload`` is how it was said, where it was."""
        self.now += 1
        return self._heard(
            floor.apply(
                self.world, event, line=address.line, station=address.station, at=self.now, retained=retained
            )
        )

    def count(
        self,
        slots: Mapping[str, object] | None = None,
        *,
        ago: float | None = 0.0,
        station: str | None = None,
        **more: Any,
    ) -> list[Told] | None:
        """``slots``: totals or ``(placed, lost)``; ``ago``: seconds since it was taken, ``None``: unsaid."""
        counts = {name: _slot_count(each) for name, each in (slots or {}).items()}
        message: dict[str, object] = {"slots": counts}
        if ago is not None:
            message["at"] = self.time(ago)
        return self.say(self._topic(station, "count"), message | more)

    def run(
        self,
        panels: int,
        usage: Mapping[str, int],
        *,
        station: str | None = None,
        lost: Mapping[str, int] | None = None,
        **more: Any,
    ) -> list[Told]:
        """So many panels, a takt and a count each, with totals that go on from the last call."""
        name = station or self.station_name
        totals, losses = self.totals.setdefault(name, Counter()), self.lost.setdefault(name, Counter())
        told: list[Told] = []
        for _ in range(panels):
            self.later(self.takt)
            totals.update(usage)
            losses.update(lost or {})
            self.panels[name] += 1
            self.seq[name] += 1
            slots = {slot: (totals[slot], losses[slot]) for slot in usage}
            body: dict[str, Any] = {
                "session": "s1",
                "seq": self.seq[name],
                "panels": self.panels[name],
            } | more
            told += self.count(slots, station=station, **body) or []
        return told

    def first(self, *slots: str, station: str | None = None) -> None:
        """First contact: totals of zero, so that what follows counts."""
        name = station or self.station_name
        self.seq[name] += 1
        zero = dict.fromkeys(slots, (0, 0))
        self.count(zero, station=station, session="s1", seq=self.seq[name], panels=self.panels[name])

    def load(self, slot: str, quantity: int | None = None, **more: Any) -> list[Told] | None:
        return self.supply("loaded", slot, quantity=quantity, **more)

    def join(self, slot: str, quantity: int | None = None, **more: Any) -> list[Told] | None:
        return self.supply("joined", slot, quantity=quantity, **more)

    def counted(self, slot: str, quantity: int, **more: Any) -> list[Told] | None:
        return self.supply("counted", slot, quantity=quantity, **more)

    def remove(self, slot: str, **more: Any) -> list[Told] | None:
        return self.supply("removed", slot, **more)

    def supply(
        self,
        change: str,
        slot: str,
        *,
        ago: float | None = None,
        station: str | None = None,
        line: str | None = None,
        **more: Any,
    ) -> list[Told] | None:
        said = {key: each for key, each in more.items() if each is not None}
        message = {"slot": slot, "change": change} | said
        if ago is not None:
            message["at"] = self.time(ago)
        return self.say(self._topic(station, "supply", line=line), message)

    def recipe(
        self,
        usage: Mapping[str, float],
        name: str = "R1",
        *,
        station: str | None = None,
        retained: bool = False,
        **more: Any,
    ) -> list[Told] | None:
        topic = self._topic(station, f"recipe/{name}")
        return self.say(topic, {"recipe": name, "usage": usage} | more, retained=retained)

    def order(
        self, name: str, state: str, *, line: str | None = None, retained: bool = False, **more: Any
    ) -> list[Told] | None:
        topic = f"{line or self.line}/order/{name}"
        return self.say(topic, {"order": name, "state": state} | more, retained=retained)

    def tower(
        self,
        *slots: str,
        buzzer: str = "off",
        ago: float | None = None,
        station: str | None = None,
        **lamps: str,
    ) -> list[Told] | None:
        message: dict[str, object] = {"lamps": lamps, "buzzer": buzzer}
        if slots:
            message["slots"] = slots
        if ago is not None:
            message["at"] = self.time(ago)
        return self.say(self._topic(station, "tower"), message)

    def out(self, *slots: str, **more: Any) -> list[Told] | None:
        """By the default reading a supply is out and the station waits."""
        return self.tower(*slots, yellow="flashing", buzzer="on", **more)

    def green(self, **more: Any) -> list[Told] | None:
        return self.tower(green="on", **more)

    # What people and the clock do

    def take(self, notice: str, by: str = "Ines") -> list[Told] | None:
        return self._act(PersonAct(notice=notice, action="take", by=by))

    def release(self, notice: str, by: str = "Ines") -> list[Told] | None:
        return self._act(PersonAct(notice=notice, action="release", by=by))

    def quiet(
        self, notice: str, by: str = "Ines", *, panels: int | None = None, seconds: float | None = None
    ) -> list[Told] | None:
        until = None if seconds is None else self.now + round(seconds * SECOND)
        return self._act(PersonAct(notice=notice, action="quiet", by=by, panels=panels, until=until))

    def close(self, notice: str, by: str = "Ines", reason: str = "seen to") -> list[Told] | None:
        return self._act(PersonAct(notice=notice, action="close", by=by, reason=reason))

    def readied(
        self, part: str, supplies: int, *, kind: Any = None, by: str = "Ines", line: str | None = None
    ) -> list[Told] | None:
        """Somebody ticks that so many supplies of a part stand ready."""
        tick = Readied(part=part, kind=kind, supplies=supplies, by=by)
        return self.happen(Address("ready", line or self.line, None), tick)

    def care(self, supply: str, change: Any, *, ago: float = 0.0, **more: Any) -> list[Told] | None:
        """Somebody opened, dried or baked a supply, so many seconds ago."""
        at = to_datetime(self.now + 1 - round(ago * SECOND)) if ago else None
        said = SupplyCare(supply=supply, change=change, at=at, **{"by": "Ines"} | more)
        return self.happen(Address("care", "", None), said)

    def pass_time(self, seconds: float = 0.0) -> list[Told] | None:
        self.later(seconds - 1e-6)
        return self.happen(Address("time", "", None), TimePassed())

    def set_policy(self, policy: Policy) -> list[Told] | None:
        self.now += 1
        return self._heard(floor.change_policy(self.world, policy, self.now))

    # What is now

    def station(self, name: str | None = None, *, line: str | None = None) -> StationState:
        return self.world.stations[line or self.line, name or self.station_name]

    def slot(self, name: str, *, station: str | None = None, line: str | None = None) -> SlotState:
        return self.station(station, line=line).slots[name]

    def sight(self, name: str, *, station: str | None = None) -> Sight:
        return self.world.sights_of(self.station(station))[name]

    def case(self, name: str, *, station: str | None = None) -> Case | None:
        at = self.station(station)
        return judge.case_of(self.world.line(at.line), at, at.slots[name], self.world.sights_of(at))

    def notice(self, slot: str, *, station: str | None = None) -> Notice:
        notice = self.slot(slot, station=station).notice
        assert notice is not None, f"{slot} has no notice"
        return notice

    def live(self) -> list[str]:
        """Slots about which people are told something now."""
        return sorted(name for names in self.world.watched.values() for name in names)

    def words(self, told: list[Told] | None = None) -> list[str]:
        """What was told, for short: ``opened early``, ``changed urgent``, ``closed refilled``, and of other
        notices than those of an emptying ``opened question``."""
        return [_in_short(each) for each in (self.told if told is None else told)]

    def emptyings(self, told: list[Told] | None = None) -> list[str]:
        """``words`` of the emptyings alone."""
        return self.words(
            [each for each in (self.told if told is None else told) if each.notice.kind == "supply"]
        )

    def _act(self, act: PersonAct) -> list[Told] | None:
        return self.happen(Address("person", self.line, self.station_name), act)

    def _heard(self, told: list[Told] | None) -> list[Told] | None:
        self.told += told or []
        return told

    def _topic(self, station: str | None, kind: str, *, line: str | None = None) -> str:
        return f"{line or self.line}/{station or self.station_name}/{kind}"


def _in_short(told: Told) -> str:
    notice = told.notice
    what = notice.closed_because or (notice.level if notice.kind == "supply" else notice.kind)
    return f"{told.change} {what}"


def _slot_count(each: object) -> object:
    if isinstance(each, tuple):
        return {"placed": each[0]} | ({} if each[1] is None else {"lost": each[1]})
    return {"placed": each}
