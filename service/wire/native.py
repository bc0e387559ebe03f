"""Our own contract: bytes and a topic in, an event or a refusal with its reason out; nothing else.

Any bytes give one of three answers, never an exception. It knows nothing of what an event will change.
"""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, TypeVar

import msgspec

from service.domain.events import (
    CountMessage,
    LinkMessage,
    Message,
    OrderMessage,
    RecipeMessage,
    SupplyCare,
    SupplyMessage,
    TowerMessage,
)

T = TypeVar("T")
LARGEST_PAYLOAD = 64 * 1024
_DECODERS: dict[str, msgspec.json.Decoder[Any]] = {
    "count": msgspec.json.Decoder(CountMessage),
    "supply": msgspec.json.Decoder(SupplyMessage),
    "recipe": msgspec.json.Decoder(RecipeMessage),
    "order": msgspec.json.Decoder(OrderMessage),
    "tower": msgspec.json.Decoder(TowerMessage),
    "link": msgspec.json.Decoder(LinkMessage),
}


_MOST_CLEAN = 65_536
_clean: set[str] = set()
"""Slots met before whose names are fine as they are: most messages name no other."""


class Misfit(ValueError):
    """A message or a name that doesn't fit; the text says what and where."""


def _allowed(character: str) -> bool:
    # Marks belong to the letters of many scripts that have no composed form.
    return character in "._-" or unicodedata.category(character)[0] in "LM" or character.isdecimal()


@dataclass(frozen=True, slots=True)
class Address:
    """Where a message belongs: ``name`` is the recipe's or the order's when the topic carries one."""

    kind: str
    line: str
    station: str | None
    name: str | None = None
    subject: str = field(init=False)

    def __post_init__(self) -> None:
        parts = (each for each in (self.line, self.station, self.name) if each is not None)
        object.__setattr__(self, "subject", "/".join(parts))


@lru_cache(maxsize=65_536)
def clean_name(raw: str, what: str) -> str:
    """The name as NFC; 1 to 64 letters (of any script), digits, ``.``, ``_``, ``-``. ``Misfit`` otherwise."""
    name = unicodedata.normalize("NFC", raw)
    if not 1 <= len(name) <= 64 or not all(map(_allowed, name)):
        raise Misfit(f"{what} {raw[:80]!r} must be 1 to 64 letters, digits, '.', '_' or '-'")
    return name


@lru_cache(maxsize=65_536)
def read_topic(topic: bytes, root: str) -> Address:
    """The address in a topic below ``root``. Raises ``Misfit``."""
    try:
        text = topic.decode("utf-8")
    except UnicodeDecodeError:
        raise Misfit("the topic isn't UTF-8") from None
    if not text.startswith(root + "/"):
        raise Misfit(f"the topic isn't below {root!r}")
    match text[len(root) + 1 :].split("/"):
        case [line, "order"]:
            return Address("order", clean_name(line, "line"), None)
        case [line, "order", order]:
            return Address("order", clean_name(line, "line"), None, _title(order, "order"))
        case [line, station, ("count" | "supply" | "recipe" | "tower" | "link") as kind]:
            return Address(kind, clean_name(line, "line"), clean_name(station, "station"))
        case [line, station, "recipe", name]:
            place = clean_name(line, "line"), clean_name(station, "station")
            return Address("recipe", *place, _title(name, "recipe"))
        case _:
            raise Misfit(
                "no such topic: expected line/station/count, supply, recipe, tower, link or line/order"
            )


def read_message(address: Address, payload: bytes) -> Message:
    """The event in ``payload``. Raises ``Misfit`` with the reason; no other exception for any bytes."""
    if len(payload) > LARGEST_PAYLOAD:
        raise Misfit(f"the payload has {len(payload)} bytes, more than {LARGEST_PAYLOAD}")
    try:
        payload.decode("utf-8")
        message = _DECODERS[address.kind].decode(payload)
        if address.kind != "count" or _may_repeat_a_key(message, payload):
            _refuse_repeated_keys(payload)
    except UnicodeDecodeError as error:
        raise Misfit(f"the payload isn't UTF-8 (byte {error.start})") from None
    except RecursionError:
        raise Misfit("the payload is nested too deeply") from None
    except (msgspec.MsgspecError, ValueError) as error:
        raise Misfit(str(error)) from None
    return _finish(address, message)


def read_care(supply: str, body: bytes) -> SupplyCare:
    """What somebody did to a supply of this name. Raises ``Misfit``."""
    try:
        fields = msgspec.json.decode(body, type=dict[str, msgspec.Raw])
        fields["supply"] = msgspec.Raw(msgspec.json.encode(_title(supply, "supply")))
        return msgspec.json.decode(msgspec.json.encode(fields), type=SupplyCare)
    except RecursionError:
        raise Misfit("the body is nested too deeply") from None
    except (msgspec.MsgspecError, ValueError) as error:
        raise Misfit(str(error)) from None


def _may_repeat_a_key(message: CountMessage, payload: bytes) -> bool:
    """Cheap; sees what would change a number, where keys are written without escapes."""
    return (
        payload.count(b'"placed"') != len(message.slots)
        or payload.count(b'"panels"') > 1
        or payload.count(b'"seq"') > 1
    )


def _refuse_repeated_keys(payload: bytes) -> None:
    """Two values for one key: readers differ in which they take (RFC 8259, 4), so neither is believed."""
    json.loads(payload, object_pairs_hook=_with_each_key_once, parse_int=str, parse_float=str)


def _with_each_key_once(pairs: list[tuple[str, object]]) -> None:
    seen: set[str] = set()
    for key, _ in pairs:
        if key in seen:
            raise Misfit(f"the key {key[:80]!r} comes twice in one object")
        seen.add(key)


def _finish(address: Address, message: Message) -> Message:
    """Rules that span fields, and names made NFC."""
    match message:
        case CountMessage():
            if not message.slots and message.panels is None and message.seq is None:
                raise Misfit("a count needs `slots`, `panels` or `seq`")
            slots = _clean_keys(message.slots)
            return message if slots is message.slots else msgspec.structs.replace(message, slots=slots)
        case SupplyMessage():
            return _finish_supply(message)
        case RecipeMessage():
            return msgspec.structs.replace(
                message,
                recipe=_one_name(message.recipe, address.name, "recipe"),
                usage=_clean_keys(message.usage),
                parts={slot: _nfc(part) for slot, part in _clean_keys(message.parts).items()},
                alternates=[[clean_name(slot, "slot") for slot in group] for group in message.alternates],
            )
        case OrderMessage():
            return msgspec.structs.replace(
                message,
                order=_one_name(message.order, address.name, "order"),
                recipe=None if message.recipe is None else _title(message.recipe, "recipe"),
            )
        case TowerMessage():
            return msgspec.structs.replace(
                message, slots=[clean_name(slot, "slot") for slot in message.slots]
            )
        case _:
            return message


def _finish_supply(message: SupplyMessage) -> SupplyMessage:
    if message.change == "counted" and message.quantity is None:
        raise Misfit("`counted` needs `quantity`")
    if message.change == "undone" and not message.undoes:
        raise Misfit("`undone` needs `undoes`: the id of the exchange")
    return msgspec.structs.replace(
        message,
        slot=clean_name(message.slot, "slot"),
        part=None if message.part is None else _nfc(message.part),
        lot=None if message.lot is None else _nfc(message.lot),
        supply=None if message.supply is None else _title(message.supply, "supply"),
    )


def _clean_keys(slots: dict[str, T]) -> dict[str, T]:
    """The same slots under their names as NFC; the very dict where nothing changes."""
    if slots.keys() <= _clean:
        return slots
    clean = {clean_name(slot, "slot"): value for slot, value in slots.items()}
    if len(clean) != len(slots):
        raise Misfit("two slots have the same name once both are NFC")
    if len(_clean) > _MOST_CLEAN:
        _clean.clear()
    _clean.update(clean)
    return slots if clean.keys() == slots.keys() else clean


def _nfc(text: str) -> str:
    return unicodedata.normalize("NFC", text)


def _title(raw: str, what: str) -> str:
    """The name of an order, a recipe or a supply: any text, as NFC."""
    name = _nfc(raw)
    if not 1 <= len(name) <= 256:
        raise Misfit(f"{what} {raw[:80]!r} must have 1 to 256 characters")
    return name


def _one_name(inside: str | None, in_topic: str | None, what: str) -> str:
    """The name in the payload, else the one in the topic. Where both are given they agree, unless the name
    holds a character that a topic level can't hold."""
    if inside is None:
        if in_topic is None:
            raise Misfit(f"`{what}` is missing")
        return in_topic
    name = _title(inside, what)
    if in_topic is not None and name != in_topic and not any(mark in name for mark in "/+#"):
        raise Misfit(f"`{what}` must be named once: payload {inside[:80]!r}, topic {in_topic[:80]!r}")
    return name
