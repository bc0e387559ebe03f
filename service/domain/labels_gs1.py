"""GS1 element strings: application identifiers without anything between them where their length is known.

Identifiers, lengths and forms are those of the GS1 General Specifications (ref.gs1.org); a test compares them
with an independent library.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.domain.labels_text import GS, Field, Scanned, Unreadable
from service.domain.said import Said

CARRIERS = frozenset({"]C1", "]d2", "]Q3", "]J1", "]e0", "]e1", "]e2"})
"""What scanners say of a symbol with GS1 elements in it (ISO/IEC 15424; GS1 General Specifications)."""


@dataclass(frozen=True, slots=True)
class Element:
    """``fixed``: it ends after ``most`` characters, without a separator."""

    title: str
    most: int
    fixed: bool = False
    digits: bool = False


_DATE = Element("date YYMMDD", 6, fixed=True, digits=True)
_MEASURE = Element("measure", 6, fixed=True, digits=True)
_PLACE = Element("location", 13, fixed=True, digits=True)
_INTERNAL = Element("internal", 90)
_OTHER = Element("not named here", 90)
ELEMENTS: dict[str, Element] = {
    "00": Element("logistic unit (SSCC)", 18, fixed=True, digits=True),
    "01": Element("trade item (GTIN)", 14, fixed=True, digits=True),
    "02": Element("contained trade items (GTIN)", 14, fixed=True, digits=True),
    "03": Element("made to order trade item (GTIN)", 14, fixed=True, digits=True),
    "10": Element("lot", 20),
    **dict.fromkeys(("11", "12", "13", "15", "16", "17"), _DATE),
    "20": Element("variant", 2, fixed=True, digits=True),
    "21": Element("serial number", 20),
    "22": Element("consumer variant", 20),
    "240": Element("additional identification", 30),
    "241": Element("customer's part", 30),
    "242": Element("made to order", 6, digits=True),
    "243": Element("packaging component", 20),
    "250": Element("secondary serial number", 30),
    "251": Element("source", 30),
    "30": Element("count", 8, digits=True),
    "37": Element("count of contained items", 8, digits=True),
    "400": Element("customer's order", 30),
    "401": Element("consignment", 30),
    "403": Element("route", 30),
    **{f"41{digit}": _PLACE for digit in "01234567"},
    "420": Element("postal code", 20),
    "422": Element("country of origin", 3, digits=True),
    "90": Element("internal", 30),
    **{f"9{digit}": _INTERNAL for digit in "123456789"},
}
_MEASURES = frozenset({"31", "32", "33", "34", "35", "36"})
_LENGTHS = dict.fromkeys(("23", "24", "25", "40", "41", "42", "71"), 3) | dict.fromkeys(
    ("31", "32", "33", "34", "35", "36", "39", "43", "70", "72", "80", "81", "82"), 4
)
"""How long an identifier is, by its first two digits; 2 otherwise (GS1 Tag Data Translation 2.0, table K)."""
_CHARACTERS = re.compile(r"""[!"%-?A-Z_a-z]*""")
_WITH_CHECK_DIGIT = frozenset({"00", "01", "02", "03"})
_TRADE_ITEM = re.compile(r"01([0-9]{14})")
_BRACKETED = re.compile(r"\(([0-9]{2,4})\)([^(]*)")


def is_gs1(scanned: Scanned) -> bool:
    """Whether the scanner says so, or the text begins with FNC1 as GS."""
    return scanned.symbology in CARRIERS or scanned.text.startswith(GS)


def looks_like_gs1(text: str) -> bool:
    """Whether more than an item's number follows one whose check digit is right."""
    found = _TRADE_ITEM.match(text)
    return found is not None and found.end() < len(text) and _has_right_check_digit(found[1])


def read_elements(text: str, scanned: Scanned, begin: int, first: int = 1) -> list[Field]:
    """The elements in ``text``, which stands at ``begin`` in what was scanned; ``first`` is the number of its
    first field. Raises ``Unreadable``."""
    fields: list[Field] = []
    index = 0
    while index < len(text):
        if text[index] == GS:
            index += 1
            continue
        field, length = _read_one(text[index:], first + len(fields), scanned.place(begin + index))
        fields.append(field)
        index += length
    return fields


def read_bracketed(scanned: Scanned) -> list[Field] | None:
    """``(01)…(10)…`` as it is printed below a symbol for people; ``None`` where the text is no such thing."""
    found = list(_BRACKETED.finditer(scanned.text))
    if not found or sum(len(each[0]) for each in found) != len(scanned.text):
        return None
    fields = []
    for number, each in enumerate(found, 1):
        if each[1] not in ELEMENTS and each[1][:2] not in _LENGTHS:
            return None
        place = scanned.place(each.start())
        field, length = _read_one(each[1] + each[2], number, place)
        if length != len(each[1]) + len(each[2]):
            raise _misfit(number, place, each[1])
        fields.append(field)
    return fields


def element_of(text: str) -> tuple[str, Element | None]:
    """The identifier that ``text`` begins with, as long as such ones are, and what it says; ``None`` where
    there is none such."""
    length = _LENGTHS.get(text[:2], 2)
    identifier = text[:length]
    if len(identifier) < length:
        return identifier, None
    if identifier[:2] in _MEASURES:
        return identifier, _MEASURE
    return identifier, ELEMENTS.get(identifier, _OTHER if length > 2 else None)


def _read_one(text: str, number: int, place: int) -> tuple[Field, int]:
    identifier, element = element_of(text)
    length = len(identifier)
    if not (identifier.isascii() and identifier.isdigit()):
        raise Unreadable(
            Said(
                "field {count} (from character {place}) doesn't begin with a GS1 application identifier",
                {"count": number, "place": place},
            )
        )
    if element is None:
        raise Unreadable(
            Said(
                "field {count} (from character {place}): there is no GS1 application identifier {identifier}",
                {"count": number, "place": place, "identifier": identifier},
            )
        )
    end = text.find(GS, length)
    end = len(text) if end < 0 else end
    value = text[length : length + element.most] if element.fixed else text[length:end]
    if not _is_right(identifier, value, element):
        raise _misfit(number, place, identifier)
    return Field(identifier, value, number, place), length + len(value)


def _is_right(identifier: str, value: str, element: Element) -> bool:
    fits = len(value) == element.most if element.fixed else 1 <= len(value) <= element.most
    if not fits or _CHARACTERS.fullmatch(value) is None:
        return False
    if element.digits and not value.isdigit():
        return False
    return identifier not in _WITH_CHECK_DIGIT or _has_right_check_digit(value)


def _misfit(number: int, place: int, identifier: str) -> Unreadable:
    return Unreadable(
        Said(
            "field {count} (from character {place}): what follows {identifier} is too short, too long, has"
            " characters that it can't have or another check digit",
            {"count": number, "place": place, "identifier": identifier},
        )
    )


def _has_right_check_digit(digits: str) -> bool:
    """Weights 3 and 1 from the right (GS1 General Specifications, 7.9.1)."""
    *body, check = (int(digit) for digit in digits)
    total = sum(digit * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(body)))
    return (10 - total % 10) % 10 == check
