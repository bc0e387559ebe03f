"""How a report's figures are written in a language: moments on the plant's clocks, lengths, sentences."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from babel.numbers import format_decimal
from markupsafe import Markup, escape

from service.domain.said import Said, put
from service.domain.spoken import CAUSES, lasted
from service.language import Language
from service.usecases.handed import ended_by

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Tell:
    language: Language
    zone: ZoneInfo

    @classmethod
    def of(cls, report: Json, language: Language) -> Tell:
        return cls(language, ZoneInfo(report["timezone"]))

    def local(self, moment: str) -> datetime:
        return datetime.fromisoformat(moment).astimezone(self.zone)

    def clock(self, moment: str | None) -> str:
        return "" if moment is None else self.language.clock(self.local(moment))

    def seconds(self, moment: str | None) -> str:
        """The clock to the second."""
        return "" if moment is None else f"{self.clock(moment)}:{self.local(moment):%S}"

    def day(self, moment: str) -> str:
        return self.language.day(self.local(moment))

    def span(self, since: str, until: str) -> str:
        """Day and clocks; the second day only where it is another."""
        first, last = self.day(since), self.day(until)
        end = self.clock(until) if first == last else f"{last} {self.clock(until)}"
        return f"{first} {self.clock(since)} – {end}"

    def said(self, said: Said) -> str:
        return put(said, self.zone, self.language)

    def sentence(self, told: Json) -> str:
        return self.said(msgspec.convert(told["said"], Said))

    def sentences(self, said: list[Json]) -> str:
        return " ".join(self.said(msgspec.convert(each, Said)) for each in said)

    def lasted(self, milliseconds: float | None) -> str:
        return "–" if milliseconds is None else self.said(lasted(milliseconds))

    def minutes(self, milliseconds: float | None) -> str:
        """With one place, so that a column of them can be compared."""
        return "–" if milliseconds is None else self._fixed(milliseconds / 60_000, "#,##0.0")

    def length(self, milliseconds: float) -> str:
        """Minutes and seconds: ``1:07``."""
        minutes, seconds = divmod(round(milliseconds / 1000), 60)
        return f"{minutes}:{seconds:02d}"

    def _fixed(self, value: float, pattern: str) -> str:
        return str(format_decimal(value, format=pattern, locale=self.language.locale))

    def number(self, value: float | None) -> str:
        return "–" if value is None else self.language.number(value)

    def percent(self, share: float | None, digits: int = 1) -> str:
        if share is None:
            return "–"
        pattern = f"0.{'0' * digits}" if digits else "0"
        return f"{self._fixed(100 * share, pattern)} %"

    def cause(self, name: str) -> str:
        return self.said(CAUSES[name]) if name in CAUSES else name

    def ended_by(self, because: str) -> str:
        return self.said(ended_by(because))

    def words(self) -> Callable[..., Markup]:
        """``t("Line {line}", line=…)`` for a template: all of it is text, unless it is ``Markup``."""

        def t(text: str, /, **values: object) -> Markup:
            return escape(self.language.text(text)).format(**values)

        return t

    def counts(self) -> Callable[..., Markup]:
        """``many("1 stop", "{number} stops", 3)``, likewise."""

        def many(one: str, several: str, number: float, /, **values: object) -> Markup:
            return Markup(escape(self.language.say_many(one, several, number, **values)))  # noqa: S704

        return many
