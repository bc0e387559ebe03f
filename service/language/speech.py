"""A language: its catalogue (a gettext file beside this one, or a plant's own), its numbers and times."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from gettext import c2py
from pathlib import Path
from string import Formatter

from babel import Locale, UnknownLocaleError
from babel.dates import format_skeleton, format_time
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import PoFileError, read_po
from babel.numbers import format_decimal

_HERE = Path(__file__).parent
_NAME = re.compile(r"\w+")
_COUNTED = range(1001)

Texts = Mapping[str, str | tuple[str, ...]]


class NoLanguage(Exception):
    """A catalogue can't be read; the text names the file and what is wrong in it."""


@dataclass(frozen=True, slots=True, eq=False)
class Language:
    """``tag`` is a BCP 47 language tag such as ``de``; ``texts`` has what is counted in several forms, and
    ``form`` says which of them a number takes; ``own`` is where the plant keeps further languages."""

    tag: str
    texts: Texts
    form: Callable[[int], int]
    locale: Locale
    own: Path | None = None

    @property
    def name(self) -> str:
        """What it calls itself."""
        return str(self.locale.get_language_name() if self.tag == "en" else self.locale.get_display_name())

    @property
    def direction(self) -> str:
        return str(self.locale.text_direction)

    def beside(self, tag: str | None) -> Language:
        """Another one, from the same places; itself where there is none."""
        return speak(tag, self.own) if tag in languages(self.own) else self

    def text(self, text: str) -> str:
        """The English ``text`` in this language, its ``{names}`` not filled in yet."""
        said = self.texts.get(text, text)
        return said if isinstance(said, str) else said[-1]

    def say(self, text: str, /, **values: object) -> str:
        """The English ``text`` in this language, its ``{names}`` filled in with ``values``."""
        return self.text(text).format(**values)

    def say_many(self, one: str, many: str, number: float, /, **values: object) -> str:
        """``one`` or ``many`` by this language's rules for ``number``, which also fills ``{number}``."""
        forms = self.texts.get(one)
        if isinstance(forms, tuple):
            form = self.form(int(number)) if number == int(number) else len(forms)
            said = forms[min(form, len(forms) - 1)]
        else:
            said = one if number == 1 else many
        return said.format(**{"number": self.number(number), **values})

    def number(self, value: float, /) -> str:
        return str(format_decimal(value, locale=self.locale))

    def clock(self, local: datetime, /) -> str:
        """Hours and minutes of the day, 24 hours a day: plants write their shifts so everywhere."""
        return str(format_time(local, "HH:mm", locale=self.locale))

    def day(self, local: datetime, /) -> str:
        """The date in numbers, as it is written there; in English as ISO 8601, because 03/04 is two days."""
        return (
            f"{local:%Y-%m-%d}"
            if self.tag == "en"
            else str(format_skeleton("yMMdd", local, locale=self.locale))
        )

    def plurals(self) -> dict[str, int]:
        """Which form each of CLDR's categories (``one``, ``few``, …) takes: browsers know the categories."""
        forms: dict[str, int] = {}
        for number in _COUNTED:
            forms.setdefault(self.locale.plural_form(number), self.form(number))
        return forms


def english(text: str) -> str:
    """Marks a text that is put into a language somewhere else: it belongs into the catalogues."""
    return text


@cache
def speak(tag: str, own: Path | None = None) -> Language:
    """The language of a tag that ``languages`` names; a file in the directory ``own`` goes before ours.
    Raises ``KeyError`` for another tag, ``NoLanguage`` for a file that can't be read."""
    if tag == "en":
        return replace(ENGLISH, own=own)
    catalogue = read(_files(own)[tag])
    texts = {str(_key(each)): _said(each) for each in catalogue if each.id and _is_sound(each)}
    return Language(tag, texts, _form(catalogue.plural_expr, tag), Locale.parse(tag, sep="-"), own)


@cache
def languages(own: Path | None = None) -> tuple[str, ...]:
    """The tags of those there are catalogues for; English is always there."""
    return ("en", *sorted(_files(own)))


def read(file: Path) -> Catalog:
    """A catalogue as it is. Raises ``NoLanguage``."""
    try:
        locale = Locale.parse(file.stem, sep="-")
        with file.open("rb") as lines:
            return read_po(lines, locale=locale, abort_invalid=True)
    except (ValueError, UnknownLocaleError, PoFileError, OSError) as error:
        raise NoLanguage(f"{file.name}: {error}") from None


def names_in(text: str) -> frozenset[str]:
    """The ``{names}`` that a text has filled in. Raises ``ValueError`` where it can't be filled in."""
    parts = [part for part in Formatter().parse(text) if part[1] is not None]
    names = [str(name) for _, name, _, _ in parts]
    if any(form or how for _, _, form, how in parts) or not all(map(_NAME.fullmatch, names)):
        raise ValueError(f"holds braces that are no name: {text}")
    return frozenset(names)


def _form(rule: str, tag: str) -> Callable[[int], int]:
    try:
        return c2py(rule)
    except ValueError as error:
        raise NoLanguage(f"{tag}.po: Plural-Forms: {error}") from None


def _files(own: Path | None) -> dict[str, Path]:
    """Each catalogue by its tag."""
    found = [*_HERE.glob("*.po"), *(own.glob("*.po") if own else ())]
    return {file.stem: file for file in found if file.stem != "en"}


def _key(message: Message) -> str:
    return message.id if isinstance(message.id, str) else message.id[0]


def _said(message: Message) -> str | tuple[str, ...]:
    return message.string if isinstance(message.string, str) else tuple(message.string or ())


def _is_sound(message: Message) -> bool:
    """Whether it is translated and fills in nothing that the English text doesn't have: what is wrong in a
    file must never cost a message."""
    said = _said(message)
    forms = (said,) if isinstance(said, str) else said
    meant = message.id if isinstance(message.id, tuple | list) else (message.id,)
    if message.fuzzy or not all(forms):
        return False
    try:
        return frozenset().union(*map(names_in, forms)) <= frozenset().union(*map(names_in, meant))
    except ValueError:
        return False


ENGLISH = Language("en", {}, lambda number: int(number != 1), Locale.parse("en_GB"))
