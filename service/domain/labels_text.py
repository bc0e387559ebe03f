"""The text that a scanner sent, made fit to be read: bounded, trimmed, its separators what they should be.

Where a scanner wrote something else for a separator and nothing else can be meant, it is put right and said.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC

from service.domain.said import Said, put

LONGEST = 10_000
"""Characters; the largest symbols hold some 7000."""
EOT, GS, RS = "\x04", "\x1d", "\x1e"
SEPARATORS = frozenset("\x04\x1c\x1d\x1e\x1f")
_WRITTEN = {
    "EOT": EOT, "FS": "\x1c", "GS": GS, "RS": RS, "US": "\x1f",
    "␄": EOT, "␜": "\x1c", "␝": GS, "␞": RS, "␟": "\x1f",
    "^D": EOT, "^\\": "\x1c", "^]": GS, "^^": RS, "^_": "\x1f",
}  # fmt: skip
_WORD = r"<(?P<word>EOT|FS|GS|RS|US)>|(?P<sign>[␄␜␝␞␟])"
_STAND_IN = re.compile(_WORD, re.IGNORECASE)
_OR_CARET = re.compile(_WORD + r"|(?P<caret>\^[D\\\]^_])", re.IGNORECASE)
_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z](?=.)", re.DOTALL)
_AROUND = " \t\r\n"


class Unreadable(ValueError):
    """A label that can't be read: what is wrong, and where."""

    def __init__(self, said: Said) -> None:
        super().__init__(put(said, UTC))
        self.said = said


@dataclass(frozen=True, slots=True)
class Scanned:
    """``places`` are those of the characters in what was sent, from 1; ``symbology`` is what a scanner says
    of the symbol (ISO/IEC 15424), such as ``]d2``."""

    text: str
    places: Sequence[int]
    symbology: str = ""
    tolerated: tuple[Said, ...] = ()

    def place(self, index: int) -> int:
        return self.places[index] if index < len(self.places) else (self.places[-1] if self.places else 0) + 1


@dataclass(frozen=True, slots=True)
class Field:
    """One element of a label: its identifier, what it says, which it is and where it begins, from 1."""

    identifier: str
    value: str
    number: int
    place: int


def tidy(raw: str) -> Scanned:
    """What was sent, ready to be read. Raises ``Unreadable`` for nothing and for too much."""
    if len(raw) > LONGEST:
        raise Unreadable(
            Said(
                "the text has {length} characters; a label has at most {most}",
                {"length": len(raw), "most": LONGEST},
            )
        )
    text, places, tolerated = _separated(raw)
    begin, end = _bounds(text)
    if begin >= end:
        raise Unreadable(Said("nothing was read"))
    text, places = text[begin:end], places[begin:end]
    found = _SYMBOLOGY.match(text)
    length = 0 if found is None else found.end()
    return Scanned(text[length:], places[length:], text[:length], tolerated)


def refuse_unprintable(scanned: Scanned) -> None:
    """Raises ``Unreadable`` for what no label holds: characters that show nothing and separate nothing."""
    for index, character in enumerate(scanned.text):
        if not character.isprintable() and character not in SEPARATORS:
            raise Unreadable(
                Said(
                    "character {place} can't be on a label (U+{code})",
                    {"place": scanned.place(index), "code": f"{ord(character):04X}"},
                )
            )


def _separated(raw: str) -> tuple[str, Sequence[int], tuple[Said, ...]]:
    """Written words and signs for separators are taken for them anywhere, as no part number holds them; the
    caret notation only where the header of a message shows it."""
    written = _OR_CARET if "[)>^^" in raw[:16] else _STAND_IN
    text: list[str] = []
    places: list[int] = []
    begin = 0
    for found in written.finditer(raw):
        text.append(raw[begin : found.start()])
        places.extend(range(begin + 1, found.start() + 1))
        text.append(_WRITTEN[found[found.lastgroup or 0].upper()])
        places.append(found.start() + 1)
        begin = found.end()
    if begin == 0:
        return raw, range(1, len(raw) + 1), ()
    text.append(raw[begin:])
    places.extend(range(begin + 1, len(raw) + 1))
    return "".join(text), places, (Said("the scanner writes separators out, such as <GS>"),)


def _bounds(text: str) -> tuple[int, int]:
    """Without what scanners put around a code: blanks, line ends, SOH, STX, ETX, NUL."""
    begin, end = 0, len(text)
    while begin < end and text[begin] in _AROUND + "\x00\x01\x02":
        begin += 1
    while begin < end and text[end - 1] in _AROUND + "\x00\x03":
        end -= 1
    return begin, end
