"""Why a line stood at a moment, in the reader's words: a headline, and what belongs to it. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote, urlencode

from markupsafe import Markup

from service.domain.track import Cause
from service.paper.names import LEVELS
from service.paper.road import road
from service.paper.tell import Tell
from service.paper.timeline import key, timeline

Json = dict[str, Any]
ROWS = 8
"""Slots of the road ahead, the soonest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """``found`` is what ``usecases.standstill`` put together; ``hears``: whom its warning was told."""

    found: Json
    tell: Tell
    hears: tuple[str, ...] = ()

    def say(self, text: str, /, **values: object) -> str:
        return self.tell.language.say(text, **values)

    @property
    def why(self) -> Json | None:
        """The stop that the page is about."""
        found = self.found
        began: Json | None = found["began"]
        return began or next((each for each in found["alone"] if each["blamed"]), None)

    @property
    def headline(self) -> str:
        found, line, at = self.found, self.found["line"], self.tell.seconds(self.found["at"])
        if not found["known"]:
            return self.say("Nothing was heard of line {line} at {clock}.", line=line, clock=at)
        if found["stood"]:
            return self._stood()
        if found["alone"]:
            return self.say(
                "Line {line} worked at {clock}, while {station} stood: {cause}.",
                line=line,
                clock=at,
                station=", ".join(each["station"] for each in found["alone"]),
                cause=self.tell.cause(found["alone"][0]["cause"]),
            )
        return self.say("Line {line} worked at {clock}.", line=line, clock=at)

    def _stood(self) -> str:
        found = self.found
        values = {
            "line": found["line"],
            "since": self.tell.seconds(found["since"]),
            "until": self.tell.seconds(found["until"]),
            "time": self._lasted(found["since"], found["until"]),
            "cause": self.tell.cause(found["cause"]),
        }
        if found["since"] == found["from"]:
            return self.say("Line {line} stood since before {since}: {cause}.", **values)
        if found["goes_on"]:
            return self.say("Line {line} stands since {since}, {time} so far: {cause}.", **values)
        return self.say("Line {line} stood from {since} to {until}, {time}: {cause}.", **values)

    def _lasted(self, since: str, until: str) -> str:
        # Not by the plant's clocks: those leap.
        length = datetime.fromisoformat(until) - datetime.fromisoformat(since)
        return self.tell.lasted(length.total_seconds() * 1000)

    def began(self) -> Iterator[str]:
        """What began it, how sure that is, and what speaks for it."""
        why = self.why
        if why is None:
            return
        place = " ".join(each for each in (why["station"], why["slot"]) if each)
        values = {
            "place": f"{place}, {why['part']}" if why["part"] else place,
            "cause": self.tell.cause(why["cause"]),
            "since": self.tell.seconds(why["since"]),
            "until": self.tell.seconds(why["until"]),
        }
        if why["until"] == self.found["to"]:
            yield self.say("{place}: {cause}, since {since}.", **values)
        else:
            yield self.say("{place}: {cause}, from {since} to {until}.", **values)
        for each in why["said"]:
            yield self.tell.sentences([each])
        yield self.say("How sure that is: {percent}.", percent=self.tell.percent(why["confidence"], 0))

    def held(self) -> list[str]:
        return [
            self.say(
                "{station}: {cause}, since {clock}",
                station=each["station"],
                cause=self.tell.cause(each["cause"]),
                clock=self.tell.seconds(each["since"]),
            )
            for each in self.found["held"]
        ]

    def warned(self) -> Iterator[str]:
        """What the warning was worth, whom it was told, and what they did."""
        warning, why = self.found["warning"], self.why
        if why is None or why["cause"] not in (Cause.SUPPLY, Cause.EXCHANGE):
            return
        if warning is None:
            yield self.say("No warning had come.")
            return
        opened = self.tell.seconds(warning["opened"])
        if warning["opened"] < why["since"]:
            lead = self._lasted(warning["opened"], why["since"])
            yield self.say("It came at {clock}, {time} before.", clock=opened, time=lead)
        else:
            yield self.say("It came at {clock}, when it already stood.", clock=opened)
        if self.hears:
            yield self.say("Told: {people}.", people=", ".join(self.hears))
        yield from self._done(warning)

    def _done(self, warning: Json) -> Iterator[str]:
        if warning["taken_by"]:
            yield self.say(
                "{person} took it after {time}.",
                person=warning["taken_by"],
                time=self.tell.lasted(warning["taken_ms"]),
            )
        else:
            yield self.say("Nobody took it.")
        if warning["closed"]:
            yield self.say(
                "It was over at {clock}: {why}.",
                clock=self.tell.seconds(warning["closed"]),
                why=self.tell.ended_by(warning["because"]),
            )
        else:
            yield self.say(
                "It is still open, level {level}.",
                level=self.tell.said(LEVELS[warning["worst"]]),
            )

    def picture(self) -> Markup:
        """The minutes around it, and how to read them."""
        shown = self.found["shown"]
        around = {"from": shown["from"], "to": shown["to"], "warnings": {"each": self.found["warnings"]}}
        line = self.found["timeline"]
        drawn = timeline("around", line, around, self.tell)
        met = {
            each["cause"]
            for stretches in line["stretches"].values()
            for each in stretches
            if each["cause"] and each["since"] < shown["to"] and each["until"] > shown["from"]
        }
        return drawn + key(sorted(met), self.tell)

    def road(self) -> Markup | None:
        """What was ahead before it stood."""
        kept = self.found["road"]
        return None if kept is None else road("ahead", kept["line"], kept["moment"], self.tell, most=ROWS)

    def nearest(self) -> Iterator[tuple[str, str]]:
        """The stops before and after, each with its page."""
        for name in ("before", "after"):
            stop = self.found[name]
            if stop is not None:
                yield self._near(name, stop), page_of(self.found["line"], stop["since"])

    def _near(self, name: str, stop: Json) -> str:
        values = {
            "place": " ".join(each for each in (stop["station"], stop["slot"]) if each),
            "cause": self.tell.cause(stop["cause"]),
            "clock": self.tell.seconds(stop["since"]),
        }
        if name == "before":
            return self.say("Before: {place}, {cause}, {clock}", **values)
        return self.say("After: {place}, {cause}, {clock}", **values)

    def links(self) -> Iterator[tuple[str, str]]:
        """Where more stands."""
        found, why, warning = self.found, self.why, self.found["warning"]
        if warning is not None:
            yield self.say("Open this notice"), f"/notice/{quote(warning['notice'], '')}"
        if why is not None and why["slot"]:
            station, slot = quote(why["station"], ""), quote(why["slot"], "")
            path = f"/line/{quote(found['line'], '')}/station/{station}/slot/{slot}"
            yield self.say("Open this slot"), path
        asked = urlencode({"time": f"{found['from']}/{found['to']}", "line": found["line"]})
        yield self.say("Review this time"), f"/review?{asked}"


def page_of(line: str, moment: str) -> str:
    """The page of a moment."""
    return f"/standstill?{urlencode({'line': line, 'at': moment})}"


def as_object(found: Mapping[str, Any], hears: tuple[str, ...]) -> Json:
    """What the call answers: of the review around it only the minutes that are shown."""
    since, until = found["shown"]["from"], found["shown"]["to"]
    timeline_ = {
        station: [each for each in stretches if each["since"] < until and each["until"] > since]
        for station, stretches in found["timeline"]["stretches"].items()
    }
    warning = found["warning"]
    told = {name: value for name, value in found.items() if name not in ("timeline", "warnings", "road")}
    return told | {
        "timeline": timeline_,
        "warning": None if warning is None else warning | {"told": list(hears)},
    }
