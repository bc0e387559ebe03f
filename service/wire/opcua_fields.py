"""The values of an OPC UA data set in each of their JSON encodings (OPC 10000-6, 5.4; OPC 10000-14, 7.2.5.4):
the plain value, the value with status and time, the variant that names its type, today's and yesterday's.

It knows types, states and times, and nothing of headers or of what a value means.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC
from types import MappingProxyType
from typing import Any, NamedTuple

from service.domain.model import Instant, from_clock
from service.wire.native import Misfit

MOST_LEVELS = 8
"""How deep structures within a field may be nested."""
MOST_WHOLE = 2**64
"""No integer of OPC UA is as large (OPC 10000-6, 5.1.2)."""
_DATA_VALUE = {
    "UaType",
    "Value",
    "Dimensions",
    "Status",
    "StatusCode",
    "SourceTimestamp",
    "SourcePicoseconds",
    "SourcePicoSeconds",
    "ServerTimestamp",
    "ServerPicoseconds",
    "ServerPicoSeconds",
}
_VARIANT = {"Type", "Body", "Dimensions"}
_TEXT = {"Locale", "Text"}
_SMALLER = range(2, 8)
_INT64, _UINT64, _FLOAT, _DOUBLE = 8, 9, 10, 11
_STATUS = 19
_EMPTY: tuple[object, ...] = (0, False, "0", "", None)
_NO_NUMBERS = ("NaN", "Infinity", "-Infinity")
_whole = re.compile(r"-?[0-9]{1,20}", re.ASCII).fullmatch
_EARLIEST, _LATEST = from_clock("1970-01-01", UTC), from_clock("9000-01-01", UTC)


class Field(NamedTuple):
    """One value. ``content`` is ``None`` where the source doesn't know it; ``at`` the source's own time."""

    name: str
    content: object
    at: Instant | None


def read_fields(
    payload: Mapping[str, object] | Sequence[object],
    kinds: Mapping[str, int] = MappingProxyType({}),
    *,
    at: Instant | None = None,
    status: object = None,
) -> list[Field]:
    """The values of a data set, each in any encoding. ``kinds`` are the built-in types (OPC 10000-6, 5.1.2)
    of its fields as the metadata list them, which also name the values of a payload without names; a field
    without a time of its own is of ``at``. ``status`` is that of all: where it is bad, none is to be used;
    where it is uncertain, an empty one without a status of its own may stand for none. Structures and arrays
    give a value for each of their members: ``Name/Member``. Raises ``Misfit``."""
    if not isinstance(payload, Mapping):
        if len(payload) != len(kinds):
            raise Misfit(f"{len(payload)} values without names, where the metadata name {len(kinds)}")
        payload = dict(zip(kinds, payload, strict=True))
    fields: list[Field] = []
    bad, uncertain = is_bad(status), is_uncertain(status)
    for name, raw in payload.items():
        empty = uncertain and raw in _EMPTY
        _spread(fields, name, raw, kinds.get(name, 0), at, bad or empty, MOST_LEVELS)
    return fields


def shown(value: object) -> str:
    """A value in a refusal: short, and of no more than one level."""
    if isinstance(value, str):
        return repr(value[:40])
    small = value is None or isinstance(value, float) or (isinstance(value, int) and abs(value) < MOST_WHOLE)
    return repr(value) if small else f"a large {type(value).__name__}"


def _spread(
    fields: list[Field], name: str, raw: object, kind: Any, at: Instant | None, bad: bool, levels: int
) -> None:
    if isinstance(raw, dict):
        if raw.keys() <= _VARIANT and type(raw.get("Type")) is int:
            kind, raw = raw["Type"], raw.get("Body")
        elif raw.keys() <= _DATA_VALUE:
            at = read_time(raw, "SourceTimestamp", name) or at
            bad = bad or is_bad(raw.get("Status", raw.get("StatusCode")))
            kind, raw = raw.get("UaType", kind), raw.get("Value")
            if isinstance(raw, dict) and raw.keys() <= _VARIANT and type(raw.get("Type")) is int:
                kind, raw = raw["Type"], raw.get("Body")
    if bad or kind == _STATUS:  # a variant has a bad status in place of its value (OPC 10000-14, 5.3.2)
        fields.append(Field(name, None, at))
        return
    if isinstance(raw, dict):
        if "Text" not in raw or not raw.keys() <= _TEXT:
            _spread_all(fields, name, raw.items(), 0, at, levels)
            return
        raw = raw["Text"]
    elif isinstance(raw, list):
        _spread_all(fields, name, enumerate(raw), kind, at, levels)
        return
    fields.append(Field(name, _scalar(name, raw, kind), at))


def _spread_all(
    fields: list[Field],
    name: str,
    members: Iterable[tuple[object, object]],
    kind: Any,
    at: Instant | None,
    levels: int,
) -> None:
    if not levels:
        raise Misfit(f"field {name!r:.80} is nested too deeply")
    for member, raw in members:
        _spread(fields, f"{name}/{member}", raw, kind, at, False, levels - 1)


def _scalar(name: str, raw: object, kind: object) -> object:
    if type(raw) is int and abs(raw) >= MOST_WHOLE:
        raise Misfit(f"field {name!r:.80} is larger than any integer of OPC UA")
    if not isinstance(raw, str):
        return raw
    if kind in (_INT64, _UINT64):
        # 64-bit integers are strings (OPC 10000-6, 5.4.2.3): not every reader's numbers hold them.
        return _number(name, raw)
    if kind in _SMALLER:
        # Of an enumeration, which may be written as its name and its value: Yellow_4 (OPC 10000-6, 5.4.4).
        return _number(name, raw.rpartition("_")[2])
    return None if kind in (_FLOAT, _DOUBLE) and raw in _NO_NUMBERS else raw


def _number(name: str, digits: str) -> int:
    if not _whole(digits):
        raise Misfit(f"field {name!r:.80} must be a whole number, not {shown(digits)}")
    return int(digits)


def is_bad(status: object) -> bool:
    """By the two bits of severity (OPC 10000-4, 7.39): good 00, uncertain 01; otherwise not to be used."""
    return bool(_severity(status) & 2)


def is_uncertain(status: object) -> bool:
    return _severity(status) == 1


def _severity(status: object) -> int:
    match status:
        case int(code) | {"Code": int(code)}:
            return code >> 30 & 3
        case str(symbol) | {"Symbol": str(symbol)}:
            return 2 if symbol.startswith("Bad") else int(symbol.startswith("Uncertain"))
        case _:
            return 0


def read_time(message: Mapping[str, Any], key: str, name: str | None = None) -> Instant | None:
    """UTC where it names no offset; the ends of the calendar stand for none at all (OPC 10000-6, 5.4.2.6)."""
    said = message.get(key)
    if said is None:
        return None
    try:
        at = from_clock(said, UTC)
    except (TypeError, ValueError, OverflowError):
        of = "" if name is None else f" of field {name!r:.80}"
        raise Misfit(f"`{key}`{of} is no time: {shown(said)}") from None
    return at if _EARLIEST <= at < _LATEST else None
