"""ISO/IEC 15434 messages: ``[)>`` RS, formats that begin with two digits and end with RS, EOT.

Formats 05 (GS1 elements) and 06 (fields with data identifiers) are read, others are named. What scanners and
printers are known to leave out is put up with and said; where the separators between fields are gone nothing
is guessed, as no field then tells where it ends.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from service.domain.labels_fields import read_field, strange
from service.domain.labels_gs1 import read_elements
from service.domain.labels_text import EOT, GS, RS, Field, Scanned, Unreadable
from service.domain.said import Said

HEADER = "[)>"
_PRINTED = frozenset("|~^¦§!;")
"""What scanners are set to send for separators and what hardly any field holds; not a blank, ``+``, ``-``,
``/``, ``#`` or ``,``, which part numbers have."""
_PRINTED_HEADER = re.compile(r"\[\)>(?P<record>[^0-9\w\s])0[56](?P<group>[^0-9\w\s])")
_OTHERS = {
    "00": Said("reserved"),
    "01": Said("transport"),
    "02": Said("a whole EDI message"),
    "03": Said("ASC X12"),
    "04": Said("UN/EDIFACT"),
    "07": Said("free text"),
    "08": Said("CII"),
    "09": Said("binary data"),
    "12": Said("text element identifiers"),
    "14": Said("JSON"),
    "15": Said("ISO/IEC 20248 data"),
}
"""ISO/IEC 15434; 14 and 15 since its edition of 2025."""


@dataclass(frozen=True, slots=True)
class Message:
    formats: tuple[str, ...]
    fields: tuple[Field, ...]
    tolerated: tuple[Said, ...]


def is_message(text: str) -> bool:
    return text.startswith((HEADER, ">" + HEADER))


def read_message(scanned: Scanned) -> Message:
    """What the envelopes hold. Raises ``Unreadable``."""
    tolerated = list(scanned.tolerated)
    scanned = _with_letters(_from_header(scanned, tolerated), tolerated)
    scanned = _with_separators(scanned, tolerated)
    begin = len(HEADER)
    if scanned.text[begin] == RS:
        begin += 1
    else:
        tolerated.append(Said("there is no RS behind [)>"))
    end = _end(scanned, tolerated)
    formats: list[str] = []
    fields: list[Field] = []
    for start, record in _records(scanned.text, begin, end):
        header = _header(record, scanned.place(start))
        formats.append(header)
        if header in {"05", "06"}:
            fields += _fields(header, record, scanned, start, len(fields), tolerated)
        else:
            tolerated.append(
                Said(
                    "format {header} ({what}) was left out",
                    {"header": header, "what": _OTHERS.get(header, Said("not known here"))},
                )
            )
    if not {"05", "06"} & set(formats):
        raise _nothing_for_us(formats)
    return Message(tuple(formats), tuple(fields), tuple(tolerated))


def _from_header(scanned: Scanned, tolerated: list[Said]) -> Scanned:
    if scanned.text.startswith(HEADER):
        return scanned
    tolerated.append(Said("there is a > before [)>"))
    return replace(scanned, text=scanned.text[1:], places=scanned.places[1:])


def _with_letters(scanned: Scanned, tolerated: list[Said]) -> Scanned:
    """Capitals, where the whole message came without any: a keyboard with caps lock turns all of them."""
    text = scanned.text
    if not text.isascii() or text != text.lower() or text == text.upper():
        return scanned
    tolerated.append(Said("it came in small letters only and was read as capitals"))
    return replace(scanned, text=text.upper())


def _with_separators(scanned: Scanned, tolerated: list[Said]) -> Scanned:
    """The message with RS and GS where another character stands for them, as its header shows. Raises
    ``Unreadable`` where there are none."""
    text = scanned.text
    if GS in text:
        return scanned
    found = _PRINTED_HEADER.match(text)
    if found is None or not {found["record"], found["group"]} <= _PRINTED:
        raise Unreadable(
            Said(
                "the separators between the fields are missing; set the scanner to send control characters"
                " (GS, RS, EOT)"
            )
        )
    tolerated.append(
        Said("{characters} stand for the separators", {"characters": " ".join(dict.fromkeys(found.groups()))})
    )
    record, group = found["record"], found["group"]
    if record == group:
        head = len(HEADER) + 1
        return replace(scanned, text=HEADER + RS + text[head:].rstrip(group).replace(group, GS))
    return replace(scanned, text=text.replace(record, RS).replace(group, GS))


def _end(scanned: Scanned, tolerated: list[Said]) -> int:
    """Where the last format ends. Raises ``Unreadable`` for what follows the end of the message."""
    text = scanned.text
    end = text.find(EOT)
    if end >= 0 and end < len(text) - 1:
        raise Unreadable(
            Said(
                "more follows the end of the message (EOT, character {place}); scan one label at a time",
                {"place": scanned.place(end)},
            )
        )
    last = text[:end] if end >= 0 else text
    if end < 0 and not last.endswith(RS):
        tolerated.append(Said("its end is missing (RS, EOT): it may be cut off, compare it with the print"))
    elif end < 0:
        tolerated.append(Said("EOT is missing at its end"))
    elif not last.endswith(RS):
        tolerated.append(Said("RS is missing before its end"))
    return len(last)


def _records(text: str, begin: int, end: int) -> Iterator[tuple[int, str]]:
    """Each format with the place where it begins; empty ones don't count."""
    for record in text[begin:end].split(RS):
        if record:
            yield begin, record
        begin += len(record) + 1


def _header(record: str, place: int) -> str:
    header = record[:2]
    if len(header) < 2 or not (header.isascii() and header.isdigit()):
        raise Unreadable(
            Said("character {place}: a format begins with two digits, such as 06", {"place": place})
        )
    return header


def _fields(
    header: str, record: str, scanned: Scanned, start: int, before: int, tolerated: list[Said]
) -> list[Field]:
    index = 2
    if record[2:3] == GS:
        index = 3
    else:
        tolerated.append(Said("there is no GS behind {header}", {"header": header}))
    if header == "05":
        return read_elements(record[index:], scanned, start + index, before + 1)
    fields: list[Field] = []
    for text in record[index:].split(GS):
        if text:
            number, place = before + len(fields) + 1, scanned.place(start + index)
            fields.append(read_field(text, number=number, place=place))
            tolerated += [each for each in [strange(fields[-1])] if each is not None]
        index += len(text) + 1
    return fields


def _nothing_for_us(formats: list[str]) -> Unreadable:
    if not formats:
        return Unreadable(Said("the message is empty"))
    what = tuple(_OTHERS.get(each, Said("not known here")) for each in formats)
    return Unreadable(
        Said(
            "the message holds format {headers} ({what}); formats 05 and 06 are read",
            {"headers": ", ".join(formats[:5]), "what": what[:5]},
        )
    )
