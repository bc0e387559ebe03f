"""One value as a device gives it, read as what a rule says it means. ``Misfit`` for what can't be that."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from typing import Literal

from service.domain.events import MOST, Lamp
from service.wire.native import Misfit

_LIT: Mapping[str, Lamp] = {
    "off": "off",
    "on": "on",
    "flashing": "flashing",
    "false": "off",
    "true": "on",
    "0": "off",
    "1": "on",
}
_LINKED: Mapping[str, Literal["online", "offline"]] = {
    "online": "online",
    "offline": "offline",
    "true": "online",
    "false": "offline",
    "1": "online",
    "0": "offline",
    "on": "online",
    "off": "offline",
}
COLOURS = ("red", "yellow", "green", "blue", "white")
BUZZER = "buzzer"
LAMPS = {*COLOURS, BUZZER}
KINDS = ("tape", "tray", "stick", "bulk")
_MOST_PER_PANEL = 1e6
_LONGEST_TEXT = 256
STATES = ("queued", "running", "finished", "withdrawn")


def number(content: object, times: float = 1) -> float:
    """A number, or its digits as text, as some encodings write 64-bit integers."""
    if isinstance(content, str):
        content = _digits(content)
    if isinstance(content, bool) or not isinstance(content, int | float):
        raise Misfit(f"{_shown(content)} is no number")
    found = content if times == 1 or abs(content) > MOST else content * times
    if not 0 <= found <= MOST:
        raise Misfit(f"{_shown(content)} isn't from 0 to {MOST}")
    return found


def whole(content: object, times: float = 1) -> int:
    """The same where only a whole number makes sense; a float may be one."""
    if type(content) is int and times == 1 and 0 <= content <= MOST:
        return content
    found = number(content, times)
    near = round(found)
    if abs(found - near) > 1e-6 * max(1.0, found):
        raise Misfit(f"{_shown(content)} is no whole number")
    return near


def per_panel(content: object, times: float = 1) -> float:
    """What one panel uses of a slot."""
    found = number(content, times)
    if found > _MOST_PER_PANEL:
        raise Misfit(f"{_shown(content)} is more than one panel can use")
    return found


def text(content: object) -> str | None:
    """A name or a word; ``None``: there is none now."""
    if content is None:
        return None
    if isinstance(content, bool) or not isinstance(content, str | int | float):
        raise Misfit(f"{_shown(content)} is no text")
    if isinstance(content, float) and content.is_integer():
        content = int(content)
    raw = str(content)
    found = unicodedata.normalize("NFC", raw.strip())
    if max(len(raw), len(found)) > _LONGEST_TEXT:
        raise Misfit(f"{raw[:80]!r} has more than {_LONGEST_TEXT} characters")
    return found or None


def word(content: object, words: Mapping[str, str]) -> str:
    """What the rule's words make of it, else it as a word."""
    found = str(content).lower() if isinstance(content, bool) else text(content) or ""
    return words[found] if found in words else found.lower()


def lamp(content: object, words: Mapping[str, str]) -> Lamp:
    said = word(content, words)
    try:
        return _LIT[said]
    except KeyError:
        raise Misfit(f"{_shown(content)} is no state of a lamp (off, on, flashing)") from None


def lamps(content: object, words: Mapping[str, str], bits: Mapping[str, str]) -> dict[str, Lamp]:
    """The lamps of a tower: a number whose bits are lamps, an object with a state for each, or the names of
    those that aren't dark, as a list or in one text: ``green, yellow:flashing``. A colour that isn't ours
    tells nothing of the others."""
    if isinstance(content, dict):
        known = {name: each for name, each in content.items() if each is not None}
        return {str(name).lower(): lamp(each, words) for name, each in known.items()}
    if bits:
        mask = whole(content)
        return {name: "on" if mask >> int(bit) & 1 else "off" for bit, name in bits.items()}
    if isinstance(content, list):
        content = ",".join(map(str, content))
    named = _named(word(content, words))
    if not named.keys() <= LAMPS:
        return {}
    ever = [name for each in words.values() for name in _named(each)] or COLOURS
    return {name: named.get(name, "off") for name in (*ever, *named)}


def linked(content: object, words: Mapping[str, str]) -> Literal["online", "offline"]:
    said = word(content, words)
    try:
        return _LINKED[said]
    except KeyError:
        raise Misfit(f"{_shown(content)} is neither online nor offline") from None


def one_of(content: object, words: Mapping[str, str], allowed: tuple[str, ...]) -> str | None:
    said = None if content is None else word(content, words)
    if said and said not in allowed:
        raise Misfit(f"{_shown(content)} is none of {', '.join(allowed)}")
    return said or None


def _digits(content: str) -> float:
    try:
        return int(content) if content.isdecimal() else float(content)
    except ValueError:
        raise Misfit(f"{_shown(content)} is no number") from None


def _named(said: str) -> dict[str, Lamp]:
    states: dict[str, Lamp] = {}
    for each in filter(None, map(str.strip, said.split(","))):
        name, _, state = each.partition(":")
        states[name.strip().lower()] = lamp(state.strip() or "on", {})
    return states


def _shown(content: object) -> str:
    return repr(content)[:80]
