"""A handover in words, in the reader's language: for the page, for paper and for a plain text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.said import Said, put
from service.language import Language
from service.usecases.handed import Handed

Json = dict[str, Any]


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

    @property
    def title(self) -> str:
        return self._put(self._handed.title)

    @property
    def spans(self) -> str:
        """When it was true, and which time it covers."""
        return " ".join(map(self._put, self._handed.spans))

    def sections(self) -> list[Section]:
        return [
            Section(
                each.name,
                self._put(each.title),
                [
                    Row(self._put(row.where), " · ".join(map(self._put, row.facts)), row.link)
                    for row in each.rows
                ],
                self._put(each.none),
            )
            for each in self._handed.sections()
        ]

    @property
    def _handed(self) -> Handed:
        return Handed(self.handover, self.zone)

    def _put(self, said: Said) -> str:
        return put(said, self.zone, self.language)


def as_text(told: Told) -> str:
    """Plain text, for a chat or a mail."""
    lines = [told.title, told.spans]
    for section in told.sections():
        lines += ["", section.title]
        lines += [f"- {row.where}: {row.what}" if row.where else f"- {row.what}" for row in section.rows]
        if not section.rows:
            lines.append(f"- {section.none}")
    return "\n".join(lines) + "\n"
