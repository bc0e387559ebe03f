"""What a label says of a supply: part, quantity, lot, which supply, moisture level, what else stands there.

In this order: a pattern of the plant's, a message in an envelope (ISO/IEC 15434), GS1 elements, fields with
data identifiers (ANSI MH10.8.2), and else a plain code, which is the part. Any text gives a ``Label`` or is
``Unreadable``; what was put up with stands in ``tolerated``.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import TypeVar

from service.domain.labels_envelope import is_message, read_message
from service.domain.labels_fields import alone, read_field, strange
from service.domain.labels_gs1 import is_gs1, looks_like_gs1, read_bracketed, read_elements
from service.domain.labels_patterns import LabelPattern, match
from service.domain.labels_text import GS, Field, Scanned, Unreadable, refuse_unprintable, tidy
from service.domain.labels_values import level_in, quantity_in
from service.domain.said import Said

__all__ = ["Label", "LabelPattern", "Unreadable", "read_label"]

T = TypeVar("T")
# The first that stands on a label counts. P is the number that the plant ordered by, where a supplier prints
# it; 1P the maker's. S names the reel itself, 3S and the license plates the lowest package around it.
_PARTS = ("P", "241", "1P", "240", "01", "02", "part")
_QUANTITIES = ("Q", "30", "37", "7Q", "quantity")
_COUNTS = frozenset(_QUANTITIES) - {"7Q"}  # 7Q is mostly a weight
_LOTS = ("1T", "10", "T", "lot")
_SUPPLIES = ("S", "3S", "1J", "3J", "J", "21", "9S", "00", "1S", "supply")
_LEVELS = ("13E", "moisture_level")
_MOST_REMARKS = 20
_LONGEST_PLAIN = 90
"""As MH10.8.2 bounds P and 1P."""
_PUNCTUATION = frozenset(" -_./+#*()%&,:=@'")


@dataclass(frozen=True, slots=True)
class Label:
    """``rest``: other identifiers as read. ``format``: how it was read (``15434/06``, ``gs1``, ``field``,
    ``plain``, ``pattern …``). ``names``: all that may name the part, ``part`` first."""

    part: str | None
    quantity: int | None
    lot: str | None
    supply: str | None
    moisture_level: str | None
    rest: tuple[tuple[str, str], ...]
    format: str = ""
    tolerated: tuple[Said, ...] = ()
    names: tuple[str, ...] = ()


def read_label(text: str, patterns: Sequence[LabelPattern] = (), *, expected: Collection[str] = ()) -> Label:
    """What the label says. Parts that are ``expected`` settle what could be read in two ways. Raises
    ``Unreadable``, and nothing else for any text."""
    scanned = tidy(text)
    for pattern in patterns:
        found = match(pattern, scanned)
        if found is not None:
            fields = [
                Field(name, value.strip(), number, place)
                for number, (name, (value, place)) in enumerate(found.items(), 1)
            ]
            names = _Names(patterns, expected, own=pattern)
            return _label(fields, f"pattern {pattern.name}", names, scanned.tolerated)
    refuse_unprintable(scanned)
    return _by_standard(scanned, _Names(patterns, expected))


def _by_standard(scanned: Scanned, names: _Names) -> Label:
    if is_message(scanned.text):
        message = read_message(scanned)
        formats = "+".join(sorted({each for each in message.formats if each in {"05", "06"}}))
        return _label(message.fields, f"15434/{formats}", names, message.tolerated)
    if is_gs1(scanned):
        return _label(read_elements(scanned.text, scanned, 0), "gs1", names, scanned.tolerated)
    bracketed = read_bracketed(scanned)
    if bracketed is not None:
        said = Said("brackets stand around the identifiers, as in print")
        return _label(bracketed, "gs1", names, (*scanned.tolerated, said))
    unsaid = _unsaid_elements(scanned)
    if unsaid is not None:
        said = Said("it was read as GS1 although the scanner doesn't say so")
        return _label(unsaid, "gs1", names, (*scanned.tolerated, said))
    if GS in scanned.text:
        return _without_envelope(scanned, names)
    return _single(scanned, names)


def _unsaid_elements(scanned: Scanned) -> list[Field] | None:
    """GS1 elements that only show themselves; ``None`` where the text is something else, or some of it is."""
    if not looks_like_gs1(scanned.text):
        return None
    try:
        return read_elements(scanned.text, scanned, 0)
    except Unreadable:
        return None


def _without_envelope(scanned: Scanned, names: _Names) -> Label:
    fields: list[Field] = []
    begin = 0
    tolerated = [*scanned.tolerated, Said("the envelope is missing ([)>, 06)")]
    for text in scanned.text.split(GS):
        if text:
            fields.append(read_field(text, number=len(fields) + 1, place=scanned.place(begin)))
            odd = strange(fields[-1])
            if odd is not None:
                raise Unreadable(Said("{text}; no label is known that looks so", {"text": odd}))
        begin += len(text) + 1
    return _label(fields, "fields", names, tuple(tolerated))


def _single(scanned: Scanned, names: _Names) -> Label:
    """One field where it says so, else a plain code. A number that is known to be a part is that part,
    whatever it looks like."""
    text = scanned.text
    field = None if names.knows(text) else alone(scanned)
    if field is None and text[:1] == "P" and names.knows(text[1:]) and not names.knows(text):
        field = Field("P", text[1:], 1, scanned.place(0))
    if field is not None:
        return _label([field], "field", names, scanned.tolerated)
    _refuse_strange_code(scanned)
    return _label([Field("part", text, 1, 1)], "plain", names, scanned.tolerated)


def _refuse_strange_code(scanned: Scanned) -> None:
    text = scanned.text
    if len(text) > _LONGEST_PLAIN:
        raise Unreadable(
            Said(
                "it has no form that is known here, and {length} characters are too many for a part number;"
                " a pattern in [[label]] of the configuration can read it",
                {"length": len(text)},
            )
        )
    if "://" in text:
        raise Unreadable(Said("this is a web address, no label"))
    for index, character in enumerate(text):
        if not (unicodedata.category(character)[0] in "LMN" or character in _PUNCTUATION):
            raise Unreadable(
                Said(
                    "it has no form that is known here, and character {place} ({character}) is in no part"
                    " number; a pattern in [[label]] of the configuration can read it",
                    {"place": scanned.place(index), "character": character},
                )
            )


class _Names:
    """What part numbers on labels mean here."""

    def __init__(
        self,
        patterns: Sequence[LabelPattern],
        expected: Collection[str],
        own: LabelPattern | None = None,
    ) -> None:
        self._rules = [each for each in patterns if each.pattern is None] if own is None else [own]
        self._aliases = {name: part for each in patterns for name, part in each.alias.items()}
        self._parts = frozenset(self._aliases.values())
        self._expected = frozenset(expected)

    def means(self, name: str) -> str:
        """The plant's part, or the number as the rules clean it."""
        clean = self._clean(name)
        return self._aliases.get(clean, self._aliases.get(name, clean))

    def knows(self, name: str) -> bool:
        part = self.means(name)
        return part in self._expected or part in self._parts

    def choose(self, names: Sequence[str]) -> str | None:
        """Of several numbers the one that is expected, else one that leads to a part of the plant's, else the
        first."""
        parts = [self.means(name) for name in names]
        for known in (self._expected, self._parts):
            found = next((part for part in parts if part in known), None)
            if found is not None:
                return found
        return parts[0] if parts else None

    def _clean(self, name: str) -> str:
        name = unicodedata.normalize("NFC", name.strip(" "))
        for rule in self._rules:
            begin = next((each for each in rule.strip if name.startswith(each) and name != each), "")
            name = name[len(begin) :]
            name = name.upper() if rule.upper else name
        return name


def _label(fields: Sequence[Field], form: str, names: _Names, tolerated: tuple[Said, ...]) -> Label:
    said = _once(fields)
    if not said:
        raise Unreadable(Said("the label holds no field with a value"))
    odd: list[Said] = []
    parts = [field for key in _PARTS for field in _only(said, key)]
    quantity, how_many = _first_read(said, _QUANTITIES, quantity_in)
    level, how_moist = _first_read(said, _LEVELS, level_in)
    if quantity is None:
        odd += [_no_number(each) for each in said if each.identifier in _COUNTS]
    lot, supply = _first(said, _LOTS, odd), _first(said, _SUPPLIES, odd)
    numbers = [unicodedata.normalize("NFC", field.value) for field in parts]
    part = names.choose(numbers)
    chosen = next((field for field in parts if names.means(field.value) == part), None)
    used = [each for each in (chosen, quantity, level, lot, supply) if each is not None]
    others = [*(names.means(each) for each in numbers), *numbers]
    return Label(
        part,
        how_many,
        None if lot is None else lot.value,
        None if supply is None else supply.value,
        how_moist,
        tuple((each.identifier, each.value) for each in said if each not in used),
        form,
        (*tolerated, *odd)[:_MOST_REMARKS],
        tuple(dict.fromkeys(each for each in [part, *others] if each)),
    )


def _once(fields: Sequence[Field]) -> list[Field]:
    """Those with a value; what is said twice alike is said once."""
    kept: dict[tuple[str, str], Field] = {}
    for field in fields:
        if field.value:
            kept.setdefault((field.identifier, field.value), field)
    return list(kept.values())


def _no_number(field: Field) -> Said:
    return Said(
        "{identifier} says {value}, which is no number of parts",
        {"identifier": field.identifier, "value": field.value[:40]},
    )


def _only(fields: Sequence[Field], identifier: str) -> list[Field]:
    """The field with that identifier, if there is one. Raises ``Unreadable`` where two contradict."""
    found = [field for field in fields if field.identifier == identifier]
    other = next((field for field in found if field.value != found[0].value), None)
    if other is not None:
        raise Unreadable(
            Said(
                "fields {first} and {second} (from character {place}) both say {identifier}, each another",
                {
                    "first": found[0].number,
                    "second": other.number,
                    "place": other.place,
                    "identifier": identifier,
                },
            )
        )
    return found[:1]


def _first_read(
    fields: Sequence[Field], identifiers: Sequence[str], read: Callable[[str], T | None]
) -> tuple[Field | None, T | None]:
    """The first of these fields that ``read`` makes something of, and what."""
    for identifier in identifiers:
        for field in _only(fields, identifier):
            value = read(field.value)
            if value is not None:
                return field, value
    return None, None


def _first(fields: Sequence[Field], identifiers: Sequence[str], odd: list[Said]) -> Field | None:
    """Of several lots on one label the first; the others are said and stay in ``rest``."""
    for identifier in identifiers:
        found = [field for field in fields if field.identifier == identifier]
        if len({field.value for field in found}) > 1:
            odd.append(
                Said("{identifier} is there more than once; the first counts", {"identifier": identifier})
            )
        if found:
            return found[0]
    return None
