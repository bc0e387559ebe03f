"""A language: its catalogue (a gettext file beside this one), its ways with numbers and times."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

from babel import Locale
from babel.dates import format_date, format_time
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Language:
    """``tag`` is a BCP 47 language tag such as ``de``."""

    tag: str
    catalogue: NullTranslations
    locale: Locale

    def say(self, text: str, **values: object) -> str:
        """The English ``text`` in this language, its ``{names}`` filled in with ``values``."""
        return self.catalogue.gettext(text).format(**values)

    def say_many(self, one: str, many: str, number: int, **values: object) -> str:
        """``one`` or ``many`` by this language's rules for ``number``, which also fills ``{number}``."""
        said = self.catalogue.ngettext(one, many, number)
        return said.format(number=self.number(number), **values)

    def number(self, value: float) -> str:
        return format_decimal(value, locale=self.locale)

    def clock(self, local: datetime) -> str:
        """Hours and minutes of the day, 24 hours a day: plants write their shifts so everywhere."""
        return format_time(local, "HH:mm", locale=self.locale)

    def day(self, local: datetime) -> str:
        """The date, short, as it is written there."""
        return format_date(local, "short", locale=self.locale)


@cache
def speak(tag: str) -> Language:
    """The language of a tag that ``languages`` names. Raises ``KeyError`` for another."""
    if tag == "en":
        return ENGLISH
    if tag not in languages():
        raise KeyError(tag)
    compiled = io.BytesIO()
    with (_HERE / f"{tag}.po").open("rb") as file:
        write_mo(compiled, read_po(file, locale=tag))
    compiled.seek(0)
    return Language(tag, GNUTranslations(compiled), Locale.parse(tag, sep="-"))


@cache
def languages() -> tuple[str, ...]:
    """The tags of those there are catalogues for; English is always there."""
    return ("en", *sorted(file.stem for file in _HERE.glob("*.po")))


ENGLISH = Language("en", NullTranslations(), Locale.parse("en_GB"))
