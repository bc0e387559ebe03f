"""A sentence before it is put into a language: its English text, and what is filled in.

Whoever decides says it once; the message in English and what page and outlets say in other languages come
from the same ``Said``. Which languages there are isn't known here.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, tzinfo
from typing import Protocol, Union

import msgspec

Value = Union[str, int, float, "Said", tuple["Said", ...]]
"""A name as it is, a number, a sentence inside the sentence, or several of them. A text whose name ends in
``_at`` is a moment (RFC 3339) and is said as the time on the plant's clocks, ``_on`` as its date there."""


class Said(msgspec.Struct, frozen=True, omit_defaults=True):
    """``text`` with its ``{names}`` filled in from ``values``. Of what is counted ``text`` is for one and
    ``many`` for several; the value ``number`` says how many."""

    text: str
    values: Mapping[str, Value] = {}
    many: str | None = None


class Tongue(Protocol):
    """A language, as far as a sentence needs it; ``None`` stands for English."""

    def say(self, text: str, /, **values: object) -> str: ...

    def say_many(self, one: str, many: str, number: float, /, **values: object) -> str: ...

    def number(self, value: float, /) -> str: ...

    def clock(self, local: datetime, /) -> str: ...

    def day(self, local: datetime, /) -> str: ...


class _English:
    def say(self, text: str, /, **values: object) -> str:
        return text.format(**values)

    def say_many(self, one: str, many: str, number: float, /, **values: object) -> str:
        return (one if number == 1 else many).format(**values)

    def number(self, value: float, /) -> str:
        return f"{value:,}" if isinstance(value, int) else f"{value:,g}"

    def clock(self, local: datetime, /) -> str:
        return f"{local:%H:%M}"

    def day(self, local: datetime, /) -> str:
        return f"{local:%Y-%m-%d}"


ENGLISH: Tongue = _English()


def put(said: Said, zone: tzinfo, tongue: Tongue = ENGLISH) -> str:
    """The sentence in a language, its moments in ``zone``."""
    values = {name: _put(name, value, zone, tongue) for name, value in said.values.items()}
    number = said.values.get("number")
    if said.many is None or not isinstance(number, int | float):
        return tongue.say(said.text, **values)
    return tongue.say_many(said.text, said.many, number, **values)


def _put(name: str, value: Value, zone: tzinfo, tongue: Tongue) -> str:
    if isinstance(value, Said):
        return put(value, zone, tongue)
    if isinstance(value, tuple):
        return "; ".join(put(each, zone, tongue) for each in value)
    if isinstance(value, str):
        say = tongue.clock if name.endswith("_at") else tongue.day if name.endswith("_on") else None
        return value if say is None else say(datetime.fromisoformat(value).astimezone(zone))
    return tongue.number(value)
