"""A handover in words: the sections and rows that the page, the paper, the plain text and the messages at a
change of shifts all show.

Said once, before any language; what is handed over comes in as ``handover`` put it together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import msgspec

from service.domain.notices import one_supply
from service.domain.said import Said

Json = dict[str, Any]

_BECAUSE = {
    "refilled": Said("refilled"),
    "seen refilled": Said("seen refilled"),
    "order done": Said("order done"),
    "removed": Said("removed"),
    "better": Said("better"),
    "person": Said("closed by a person"),
    "undone": Said("undone"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """``where`` stands first and large, ``link`` leads to it."""

    where: Said
    facts: tuple[Said, ...]
    link: str | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """``none`` is said where there are no rows."""

    name: str
    title: Said
    rows: list[Row]
    none: Said


def name_of(text: str) -> Said:
    """What is a name in every language."""
    return Said("{name}", {"name": text})


def ended_by(because: str) -> Said:
    """How a warning ended."""
    return _BECAUSE.get(because, name_of(because))


def part_of(part: str | None) -> Said:
    return name_of(part) if part else Said("part not known")


@dataclass(frozen=True, slots=True)
class Handed:
    handover: Json
    zone: ZoneInfo

    @property
    def title(self) -> Said:
        line = self.handover["line"]
        return Said("Handover, all lines") if line is None else Said("Handover, line {line}", {"line": line})

    @property
    def spans(self) -> tuple[Said, Said]:
        """When it was true, and which time it covers."""
        at, since = self.handover["at"], self.clock(self.handover["since"])
        as_of = Said("As of {clock_at}, {day_on}.", {"clock_at": at, "day_on": at})
        if self.handover["shift_ends"] is None:
            return as_of, Said("The last eight hours, since {clock}.", {"clock": since})
        ends = self.clock(self.handover["shift_ends"])
        return as_of, Said("The shift from {begin} to {end}.", {"begin": since, "end": ends})

    def sections(self) -> list[Section]:
        return [*self.now(), *self.ahead(), *self.to_know(), self.past()]

    def now(self) -> list[Section]:
        """Who is on what."""
        return [
            Section("open", Said("Nobody is on it"), self._each("open"), Said("Nothing is open.")),
            Section("taken", Said("Somebody is on it"), self._each("taken"), Said("Nobody is on anything.")),
            Section("quiet", Said("Quiet"), self._each("quiet"), Said("Nothing is quiet.")),
        ]

    def ahead(self) -> list[Section]:
        until = Said("May run empty until {clock}", {"clock": self.clock(self.handover["until"])})
        return [
            Section(
                "next",
                until,
                [self._due(slot) for slot in self.handover["next"]],
                Said("Nothing runs empty until then, by what is known."),
            ),
            Section(
                "bring",
                Said("Bring, for the next change of each slot"),
                [self._fetch(each) for each in self.handover["bring"]],
                Said("Nothing."),
            ),
        ]

    def to_know(self) -> list[Section]:
        rows = [*self._each("other"), *self._stations()]
        return [
            Section("asked", Said("Questions without an answer"), self._each("questions"), Said("None.")),
            Section("know", Said("To know"), rows, Said("Nothing else.")),
        ]

    def past(self) -> Section:
        return Section("happened", Said("What happened"), list(self._happened()), Said("No warning ended."))

    def clock(self, moment: str) -> Said:
        """With the day, where it isn't that of the handover."""
        if self._day(moment) == self._day(self.handover["at"]):
            return Said("{clock_at}", {"clock_at": moment})
        return Said("{day_on} {clock_at}", {"day_on": moment, "clock_at": moment})

    def _day(self, moment: str) -> str:
        return datetime.fromisoformat(moment).astimezone(self.zone).date().isoformat()

    def _place(self, thing: Json) -> Said:
        own = " ".join(part for part in (thing["station"], thing.get("slot")) if part)
        if self.handover["line"] is not None or thing["line"] is None:
            return name_of(own or thing["line"] or "")
        if not own:
            return name_of(thing["line"])
        return Said("{place}, line {line}", {"place": own, "line": thing["line"]})

    def _each(self, key: str) -> list[Row]:
        return [self._notice(notice) for notice in self.handover[key]]

    def _notice(self, notice: Json) -> Row:
        facts = self._supply(notice) if notice["kind"] == "supply" else [_message(notice)]
        return Row(self._place(notice), (*facts, *self._state(notice)), f"/notice/{quote(notice['id'], '')}")

    def _supply(self, notice: Json) -> list[Said]:
        part = part_of(notice["part"])
        if notice["level"] == "empty":
            return [part, Said("empty, the station waits")]
        return [part, *self._left(notice)]

    def _left(self, thing: Json) -> Iterator[Said]:
        panels, times = thing["panels_to_empty"], thing["empty_at"]
        if panels is not None:
            yield Said("{number} panel left", {"number": panels["p50"]}, many="{number} panels left")
        if times is not None:
            yield Said("about {clock}", {"clock": self.clock(times["p50"])})

    def _state(self, notice: Json) -> Iterator[Said]:
        since = self.clock(notice["changed_at"])
        if notice["state"] == "taken":
            person = notice["taken_by"] or ""
            yield Said("{person} is on it, {clock}", {"person": person, "clock": since})
        elif notice["state"] == "quiet" and notice["quiet_until"]:
            yield Said("quiet until {clock}", {"clock": self.clock(notice["quiet_until"])})
        elif notice["state"] == "quiet" and notice["quiet_panels"]:
            panels = Said("{number} panel", {"number": notice["quiet_panels"]}, many="{number} panels")
            yield Said("quiet for {panels} from {clock} on", {"panels": panels, "clock": since})

    def _due(self, slot: Json) -> Row:
        empty = slot["state"] == "empty"
        facts = [Said("empty, the station waits")] if empty else [*self._left(slot)]
        facts.append(one_supply(slot["kind"], slot["part"]))
        if slot["boundary_only"]:
            facts.append(Said("at a panel boundary only"))
        if not slot["likely"]:
            facts.append(Said("perhaps later"))
        line, station, name = (quote(slot[key], "") for key in ("line", "station", "slot"))
        return Row(self._place(slot), tuple(facts), f"/line/{line}/station/{station}/slot/{name}")

    def _fetch(self, wanted: Json) -> Row:
        places = tuple(self._place(place) for place in wanted["places"])
        return Row(
            part_of(wanted["part"]),
            (supplies(wanted["kind"], wanted["supplies"]), Said("{places}", {"places": places})),
        )

    def _stations(self) -> Iterator[Row]:
        for station in self.handover["stations"]:
            place = self._place(station)
            if station["offline_since"]:
                since = {"clock": self.clock(station["offline_since"])}
                yield Row(place, (Said("no link since {clock}", since),))
            if station["uncertain_since"]:
                since = {"clock": self.clock(station["uncertain_since"])}
                doubt = Said("counts are missing since {clock}: its numbers are less sure", since)
                yield Row(place, (doubt,))
            if station["clock_flagged"]:
                yield Row(place, (Said("its clock is off"),))

    def _happened(self) -> Iterator[Row]:
        happened = self.handover["happened"]
        if happened["ended"]:
            number = sum(happened["ended"].values())
            total = Said("{number} warning ended", {"number": number}, many="{number} warnings ended")
            how = tuple(
                Said("{times} × {why}", {"times": times, "why": ended_by(because)})
                for because, times in happened["ended"].items()
            )
            yield Row(total, (Said("{how}", {"how": how}),))
        for notice in happened["reached_empty"]:
            ended = Said("ran empty; over at {clock}", {"clock": self.clock(notice["closed_at"])})
            yield Row(
                self._place(notice), (part_of(notice["part"]), ended), f"/notice/{quote(notice['id'], '')}"
            )


def supplies(kind: str | None, number: int) -> Said:
    """``2 reels``, or what else supplies of the kind are."""
    count: dict[str, str | int] = {"number": number}
    match kind:
        case "tape":
            return Said("1 reel", count, many="{number} reels")
        case "tray":
            return Said("1 tray", count, many="{number} trays")
        case "stick":
            return Said("1 stick", count, many="{number} sticks")
        case "bulk":
            return Said("1 bulk case", count, many="{number} bulk cases")
    return Said("1 supply", count, many="{number} supplies")


def _message(notice: Json) -> Said:
    said = notice.get("said")
    return name_of(notice["message"]) if said is None else msgspec.convert(said, Said)
