"""A handover in words: the same sections and rows for the page, for paper and for a plain text.

Pure: what is handed over comes in as the reading side gives it, with the reader's language and the plant's
time zone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from service.domain.notices import one_supply
from service.domain.said import put
from service.language import Language, english
from service.web.fetched import so_many
from service.web.tongue import message_of

Json = dict[str, Any]

_BECAUSE = {
    "refilled": english("refilled"),
    "seen refilled": english("seen refilled"),
    "order done": english("order done"),
    "removed": english("removed"),
    "better": english("better"),
    "person": english("closed by a person"),
    "undone": english("undone"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """``where`` stands first and large, ``link`` leads to it."""

    where: str
    what: str
    link: str | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """``none`` is said where there are no rows."""

    name: str
    title: str
    rows: list[Row]
    none: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One handover, told in one language."""

    handover: Json
    language: Language
    zone: ZoneInfo

    def say(self, text: str, /, **values: object) -> str:
        return self.language.say(text, **values)

    def say_many(self, one: str, many: str, number: float) -> str:
        return self.language.say_many(one, many, number)

    @property
    def title(self) -> str:
        line = self.handover["line"]
        if line is None:
            return self.say("Handover, all lines")
        return self.say("Handover, line {line}", line=line)

    @property
    def spans(self) -> str:
        """When it was true, and which time it covers."""
        now = self._local(self.handover["at"])
        as_of = self.say("As of {clock}, {day}.", clock=self.language.clock(now), day=self.language.day(now))
        since = self.clock(self.handover["since"])
        if self.handover["shift_ends"] is None:
            return f"{as_of} {self.say('The last eight hours, since {clock}.', clock=since)}"
        ends = self.clock(self.handover["shift_ends"])
        return f"{as_of} {self.say('The shift from {begin} to {end}.', begin=since, end=ends)}"

    def sections(self) -> list[Section]:
        handover = self.handover
        until = self.clock(handover["until"])
        return [
            Section("open", self.say("Nobody is on it"), self._each("open"), self.say("Nothing is open.")),
            Section(
                "taken",
                self.say("Somebody is on it"),
                self._each("taken"),
                self.say("Nobody is on anything."),
            ),
            Section("quiet", self.say("Quiet"), self._each("quiet"), self.say("Nothing is quiet.")),
            Section(
                "next",
                self.say("May run empty until {clock}", clock=until),
                [self._due(slot) for slot in handover["next"]],
                self.say("Nothing runs empty until then, by what is known."),
            ),
            Section(
                "bring",
                self.say("Bring, for the next change of each slot"),
                [self._fetch(each) for each in handover["bring"]],
                self.say("Nothing."),
            ),
            Section(
                "asked", self.say("Questions without an answer"), self._each("questions"), self.say("None.")
            ),
            Section(
                "know",
                self.say("To know"),
                [*self._each("other"), *self._stations()],
                self.say("Nothing else."),
            ),
            Section(
                "happened", self.say("What happened"), list(self._happened()), self.say("No warning ended.")
            ),
        ]

    def clock(self, moment: str) -> str:
        """With the day, where it isn't that of the handover."""
        local, now = self._local(moment), self._local(self.handover["at"])
        said = self.language.clock(local)
        return said if local.date() == now.date() else f"{self.language.day(local)} {said}"

    def _local(self, moment: str) -> datetime:
        return datetime.fromisoformat(moment).astimezone(self.zone)

    def _place(self, thing: Json) -> str:
        own = " ".join(part for part in (thing["station"], thing.get("slot")) if part)
        if self.handover["line"] is not None or thing["line"] is None:
            return own or thing["line"] or ""
        return self.say("{place}, line {line}", place=own, line=thing["line"]) if own else thing["line"]

    def _each(self, key: str) -> list[Row]:
        return [self._notice(notice) for notice in self.handover[key]]

    def _notice(self, notice: Json) -> Row:
        facts = self._supply(notice) if notice["kind"] == "supply" else [self._message(notice)]
        return Row(
            self._place(notice),
            " · ".join([*facts, *self._state(notice)]),
            f"/notice/{quote(notice['id'], '')}",
        )

    def _message(self, notice: Json) -> str:
        return message_of(self.language, self.zone, notice)

    def _supply(self, notice: Json) -> list[str]:
        part = notice["part"] or self.say("part not known")
        if notice["level"] == "empty":
            return [part, self.say("empty, the station waits")]
        return [part, *self._left(notice)]

    def _left(self, thing: Json) -> Iterator[str]:
        panels, times = thing["panels_to_empty"], thing["empty_at"]
        if panels is not None:
            yield self.say_many("{number} panel left", "{number} panels left", panels["p50"])
        if times is not None:
            yield self.say("about {clock}", clock=self.clock(times["p50"]))

    def _state(self, notice: Json) -> Iterator[str]:
        since = self.clock(notice["changed_at"])
        if notice["state"] == "taken":
            yield self.say("{person} is on it, {clock}", person=notice["taken_by"], clock=since)
        elif notice["state"] == "quiet" and notice["quiet_until"]:
            yield self.say("quiet until {clock}", clock=self.clock(notice["quiet_until"]))
        elif notice["state"] == "quiet" and notice["quiet_panels"]:
            panels = self.say_many("{number} panel", "{number} panels", notice["quiet_panels"])
            yield self.say("quiet for {panels} from {clock} on", panels=panels, clock=since)

    def _due(self, slot: Json) -> Row:
        empty = slot["state"] == "empty"
        facts = [self.say("empty, the station waits")] if empty else [*self._left(slot)]
        facts.append(put(one_supply(slot["kind"], slot["part"]), self.zone, self.language))
        if slot["boundary_only"]:
            facts.append(self.say("at a panel boundary only"))
        if not slot["likely"]:
            facts.append(self.say("perhaps later"))
        path = "/".join(quote(slot[key], "") for key in ("line", "station", "slot"))
        line, station, name = path.split("/")
        return Row(self._place(slot), " · ".join(facts), f"/line/{line}/station/{station}/slot/{name}")

    def _fetch(self, wanted: Json) -> Row:
        places = "; ".join(self._place(place) for place in wanted["places"])
        supplies = so_many(self.language, wanted["kind"], wanted["supplies"])
        return Row(wanted["part"] or self.say("part not known"), f"{supplies} · {places}")

    def _stations(self) -> Iterator[Row]:
        for station in self.handover["stations"]:
            since = {
                key: self.clock(moment)
                for key, moment in station.items()
                if key.endswith("_since") and moment
            }
            if "offline_since" in since:
                yield Row(
                    self._place(station), self.say("no link since {clock}", clock=since["offline_since"])
                )
            if "uncertain_since" in since:
                doubt = self.say(
                    "counts are missing since {clock}: its numbers are less sure",
                    clock=since["uncertain_since"],
                )
                yield Row(self._place(station), doubt)
            if station["clock_flagged"]:
                yield Row(self._place(station), self.say("its clock is off"))

    def _happened(self) -> Iterator[Row]:
        happened = self.handover["happened"]
        if happened["ended"]:
            total = self.say_many(
                "{number} warning ended", "{number} warnings ended", sum(happened["ended"].values())
            )
            how = [
                f"{self.language.number(times)} × {self.say(_BECAUSE.get(because, because))}"
                for because, times in happened["ended"].items()
            ]
            yield Row(total, ", ".join(how))
        for notice in happened["reached_empty"]:
            part = notice["part"] or self.say("part not known")
            ended = self.say("ran empty; over at {clock}", clock=self.clock(notice["closed_at"]))
            yield Row(self._place(notice), f"{part} · {ended}", f"/notice/{quote(notice['id'], '')}")


def as_text(told: Told) -> str:
    """Plain text, for a chat or a mail."""
    lines = [told.title, told.spans]
    for section in told.sections():
        lines += ["", section.title]
        lines += [f"- {row.where}: {row.what}" if row.where else f"- {row.what}" for row in section.rows]
        if not section.rows:
            lines.append(f"- {section.none}")
    return "\n".join(lines) + "\n"
