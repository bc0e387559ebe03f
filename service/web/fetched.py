"""The fetch list in words and as rows for a spreadsheet.

Pure: the list comes in as the reading side gives it, with the reader's language and the plant's time zone."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from io import StringIO
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.said import put
from service.language import ENGLISH, Language
from service.paper.cells import cell
from service.usecases.handed import supplies

Json = dict[str, Any]
COLUMNS = ("line", "by", "part", "kind", "supplies", "at_least", "ready", "missing", "slots")


def _so_many(language: Language, kind: str | None, number: int) -> str:
    """``2 reels``, or what else supplies of the kind are."""
    return put(supplies(kind, number), UTC, language)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One line's list, told in one language."""

    fetch: Json
    language: Language
    zone: ZoneInfo

    def lines(self) -> Iterator[str]:
        say, line = self.language.say, self.fetch["line"]
        if not self.fetch["walks"]:
            until = self._clock(self.fetch["until"])
            yield say("{line}: nothing to fetch until {clock}, by what is known.", line=line, clock=until)
        for walk in self.fetch["walks"]:
            yield self.walk(walk)
        for row in self.fetch["parts"]:
            if row["ready"]:
                supplies = _so_many(self.language, row["kind"], row["ready"])
                yield say("{line}: {supplies} {part} ready.", line=line, supplies=supplies, part=row["part"])
            if row["at_least"]:
                yield say(
                    "{part}: how many more isn't known, as nobody said how many parts a full supply holds.",
                    part=self._name(row),
                )
        for (why, order), places in self._unknown().items():
            yield self._why(why, order, ", ".join(places))

    def walk(self, walk: Json) -> str:
        """``L3, 13:40: 1 reel R-10K-0402, 2 trays MCU-48Q``"""
        items = ", ".join(self._item(each) for each in walk["items"])
        line, by = self.fetch["line"], walk["by"]
        if by is None:
            return self.language.say("{line}, when isn't known: {items}", line=line, items=items)
        return self.language.say("{line}, {clock}: {items}", line=line, clock=self._clock(by), items=items)

    def _item(self, item: Json) -> str:
        supplies = _so_many(self.language, item["kind"], item["supplies"])
        if item["part"] is not None:
            return f"{supplies} {item['part']}"
        return self.language.say("{supplies} for {place}", supplies=supplies, place=item["for"])

    def _name(self, row: Json) -> str:
        first = row["for"][0]
        return row["part"] or f"{first['station']} {first['slot']}"

    def _unknown(self) -> dict[tuple[str, str | None], list[str]]:
        found: dict[tuple[str, str | None], list[str]] = {}
        for each in self.fetch["unknown"]:
            order = each["order"] if each["why"] in ("recipe", "end") else None
            place = each["station"] if each["slot"] is None else f"{each['station']} {each['slot']}"
            found.setdefault((each["why"], order), []).append(place)
        return found

    def _why(self, why: str, order: str | None, places: str) -> str:
        say = self.language.say
        match why:
            case "left":
                return say("{places}: how many parts are left isn't known.", places=places)
            case "usage":
                return say("{places}: how many parts a panel takes isn't known.", places=places)
            case "recipe":
                return say(
                    "{places}: the recipe of order {order} isn't known there.", places=places, order=order
                )
            case "end":
                return say(
                    "{places}: whether it lasts for order {order} isn't known, nor when that begins.",
                    places=places,
                    order=order,
                )
        return say("{places}: how many parts a full supply holds isn't known.", places=places)

    def _clock(self, moment: str) -> str:
        """With the day, where it isn't that of the list."""
        local, now = (
            datetime.fromisoformat(each).astimezone(self.zone) for each in (moment, self.fetch["at"])
        )
        said = self.language.clock(local)
        return said if local.date() == now.date() else f"{self.language.day(local)} {said}"


def with_words(fetch: Json, zone: ZoneInfo) -> Json:
    """Each walk with its ``message`` in English, for programs."""
    told = Told(fetch=fetch, language=ENGLISH, zone=zone)
    return fetch | {"walks": [walk | {"message": told.walk(walk)} for walk in fetch["walks"]]}


def as_text(told: Told) -> str:
    return "".join(f"{line}\n" for line in told.lines())


def as_csv(fetch: Json) -> str:
    """A row for each part; what a spreadsheet would take for a formula begins with an apostrophe."""
    into = StringIO()
    sheet = csv.writer(into, lineterminator="\r\n")
    sheet.writerow(COLUMNS)
    for row in fetch["parts"]:
        slots = dict.fromkeys(f"{each['station']} {each['slot']}" for each in row["for"])
        cells = {"line": fetch["line"], "slots": "; ".join(slots)} | row
        sheet.writerow(cell(cells[column]) for column in COLUMNS)
    return into.getvalue()
