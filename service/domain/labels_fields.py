"""Fields with ANSI MH10.8.2 data identifiers in front: ``1PRC0402-10K``, ``Q5000``; which there are.

Titles and forms are those of the standard (ANS MH10.8.2-2016, continuous maintenance of August 2020), taken
from two public listings of it that agree; which of them component labels bear is from ECIA's EIGP 114 as its
public readers list it. Nothing here is a check that the standard asks for: a value of another form is kept.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.domain.labels_text import Field, Scanned, Unreadable
from service.domain.labels_values import MSL
from service.domain.said import Said

_IDENTIFIER = re.compile(r"([0-9]{0,3}[A-Z])(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Identifier:
    """``form`` is a regular expression for the whole value, without repeats of repeats; empty: any text."""

    title: str
    form: str = ""
    alone: str = ""
    """The form in which it counts as a field although nothing but the text itself says so. Part numbers such
    as 1N4148, 2SC1815 or 10K-0402 begin like fields, too: only few identifiers may stand alone."""


_TEXT90 = r".{1,90}"
_PLATE = r".{1,35}"
_DAY = r"[0-9]{4}(0[1-9]|1[0-2])(0[1-9]|[12][0-9]|3[01])"
_WEEK = r"[0-9]{2}(0[1-9]|[1-4][0-9]|5[0-3])"

IDENTIFIERS: dict[str, Identifier] = {
    "B": Identifier("container type"),
    "1B": Identifier("returnable container"),
    "D": Identifier("date YYMMDD", r"[0-9]{6}"),
    "5D": Identifier("date YYMMDD with a qualifier", r"[0-9]{6}[0-9A-Z]{3}"),
    "6D": Identifier("date YYYYMMDD with a qualifier (shipped)", r"[0-9]{8}[0-9A-Z]{0,3}"),
    "9D": Identifier("date code, as agreed", alone=r"[0-9]{4}"),
    "10D": Identifier("date code YYWW", _WEEK, alone=_WEEK),
    "11D": Identifier("date code YYYYWW", r"[0-9]{2}" + _WEEK),
    "12D": Identifier("date YYYYMMDD", _DAY),
    "13D": Identifier("oldest and newest week YYWWYYWW", _WEEK + _WEEK),
    "14D": Identifier("expiry YYYYMMDD", _DAY, alone=_DAY),
    "15D": Identifier("expiry DDMMYYYY", r"[0-9]{8}"),
    "16D": Identifier("produced YYYYMMDD", _DAY, alone=_DAY),
    "17D": Identifier("produced DDMMYYYY", r"[0-9]{8}"),
    "25D": Identifier("best before YYYYMMDD", _DAY),
    "E": Identifier("restricted substances", r"[0-9A-Za-z]{2}"),
    "12E": Identifier("packaging material"),
    "13E": Identifier("moisture sensitivity level", MSL, alone=MSL),
    "J": Identifier("license plate", _PLATE),
    "1J": Identifier("license plate, lowest level", _PLATE, alone=_PLATE),
    "2J": Identifier("license plate, several packages", _PLATE),
    "3J": Identifier("license plate, lowest level, with EDI", _PLATE, alone=_PLATE),
    "4J": Identifier("license plate, several packages, with EDI", _PLATE),
    "5J": Identifier("license plate, mixed", r".{1,20}"),
    "6J": Identifier("license plate, master", r".{1,20}"),
    "K": Identifier("customer's order"),
    "1K": Identifier("supplier's order"),
    "2K": Identifier("bill of lading, supplier's"),
    "3K": Identifier("bill of lading, carrier's"),
    "4K": Identifier("order line"),
    "5K": Identifier("release of an order"),
    "8K": Identifier("contract"),
    "9K": Identifier("transaction reference"),
    "10K": Identifier("invoice"),
    "11K": Identifier("packing list"),
    "14K": Identifier("order and line", r".+\+.+"),
    "15K": Identifier("kanban"),
    "16K": Identifier("delivery note"),
    "21K": Identifier("customer data", r".{1,35}"),
    "L": Identifier("storage location"),
    "1L": Identifier("location"),
    "2L": Identifier("ship to"),
    "3L": Identifier("ship from"),
    "4L": Identifier("country of origin", r"[A-Z]{2}", alone=r"[A-Z]{2}"),
    "20L": Identifier("location, first level"),
    "21L": Identifier("location, second level"),
    "22L": Identifier("location, third level"),
    "23L": Identifier("location, fourth level"),
    "P": Identifier("customer's part", _TEXT90),
    "1P": Identifier("supplier's part", _TEXT90, alone=_TEXT90),
    "2P": Identifier("revision"),
    "6P": Identifier("supplier and item"),
    "9P": Identifier("maker (DUNS) and item"),
    "19P": Identifier("component of an item"),
    "20P": Identifier("customer's, first level"),
    "21P": Identifier("customer's, second level"),
    "22P": Identifier("customer's, third level"),
    "25P": Identifier("party and part"),
    "26P": Identifier("part of the next assembly"),
    "30P": Identifier("supplier's, first level"),
    "31P": Identifier("supplier's, second level"),
    "32P": Identifier("supplier's, third level"),
    "33P": Identifier("supplier's, fourth level (bin code)"),
    "34P": Identifier("supplier's, fifth level"),
    "50P": Identifier("maker's item"),
    "51P": Identifier("globally unique item"),
    "Q": Identifier("quantity", r"[0-9.]{1,30}", alone=r"[0-9]{1,7}"),
    "1Q": Identifier("theoretical length or weight"),
    "2Q": Identifier("weight"),
    "3Q": Identifier("unit of measure", r"[0-9A-Z]{2}"),
    "7Q": Identifier("quantity with its unit", r"[0-9.]+[0-9A-Z]{2}"),
    "13Q": Identifier("which package of how many", r"[0-9]+(/[0-9]+)?"),
    "14Q": Identifier("beginning secondary quantity"),
    "15Q": Identifier("ending secondary quantity"),
    "S": Identifier("serial number", _TEXT90),
    "1S": Identifier("additional code"),
    "2S": Identifier("shipment notice"),
    "3S": Identifier("package", alone=_TEXT90),
    "4S": Identifier("package, master, like items"),
    "5S": Identifier("package, master, unlike items"),
    "9S": Identifier("package, as agreed"),
    "16S": Identifier("version"),
    "18S": Identifier("CAGE code and serial number"),
    "20S": Identifier("traceability code, customer's"),
    "25S": Identifier("party and serial number"),
    "30S": Identifier("additional traceability code"),
    "T": Identifier("lot, customer's", _TEXT90),
    "1T": Identifier("lot, supplier's", _TEXT90, alone=_TEXT90),
    "20T": Identifier("customer's, first level"),
    "25T": Identifier("party and lot"),
    "30T": Identifier("supplier's, first level"),
    "31T": Identifier("supplier's, second level"),
    "V": Identifier("supplier, customer's code", _TEXT90),
    "1V": Identifier("supplier, supplier's code", _TEXT90, alone=r"[^0-9].{0,89}"),
    "3V": Identifier("GS1 company prefix"),
    "6V": Identifier("maker, as agreed"),
    "10V": Identifier("maker"),
    "12V": Identifier("maker's DUNS number", r"[0-9]{9}"),
    "13V": Identifier("supplier's DUNS number", r"[0-9]{9}"),
    "18V": Identifier("party"),
    "Z": Identifier("as customer and supplier agreed"),
    "1Z": Identifier("as carrier and supplier agreed"),
    "2Z": Identifier("as customer and carrier agreed"),
    "3Z": Identifier("free text"),
    "4Z": Identifier("as carrier and partner agreed"),
}


def read_field(text: str, *, number: int, place: int) -> Field:
    """The identifier in front of ``text``, and the rest. Raises ``Unreadable`` where there is none."""
    found = _IDENTIFIER.fullmatch(text)
    if found is None:
        raise Unreadable(
            Said(
                "field {count} (from character {place}) doesn't begin with a data identifier",
                {"count": number, "place": place},
            )
        )
    value = found[2].strip(" ")
    if not value.isprintable():
        raise Unreadable(
            Said(
                "field {count} (from character {place}) holds a separator that doesn't belong there",
                {"count": number, "place": place},
            )
        )
    return Field(found[1], value, number, place)


def alone(scanned: Scanned) -> Field | None:
    """A code that is one field by itself, where that is as good as certain."""
    found = _IDENTIFIER.fullmatch(scanned.text)
    known = IDENTIFIERS.get(found[1]) if found else None
    if found is None or known is None or not known.alone:
        return None
    if re.fullmatch(known.alone, found[2]) is None:
        return None
    return Field(found[1], found[2], 1, scanned.place(0))


def strange(field: Field) -> Said | None:
    """What is unusual about a field that is kept all the same."""
    known = IDENTIFIERS.get(field.identifier)
    if known is None:
        return Said("{identifier} isn't known here", {"identifier": field.identifier})
    if field.value and known.form and re.fullmatch(known.form, field.value, re.DOTALL) is None:
        return Said(
            "{identifier} has another form than usual: {value}",
            {"identifier": field.identifier, "value": field.value[:40]},
        )
    return None
