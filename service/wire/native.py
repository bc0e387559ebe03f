"""Our own contract: bytes and a topic in, an event or a refusal with its reason out; nothing else.

Any bytes give one of three answers, never an exception. It knows nothing of what an event will change.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import msgspec

from service.domain.events import (
    CountMessage,
    LinkMessage,
    Message,
    OrderMessage,
    RecipeMessage,
    SlotCount,
    SupplyMessage,
    TowerMessage,
)

LARGEST_PAYLOAD = 64 * 1024
_DECODERS: dict[str, msgspec.json.Decoder[Any]] = {
    "count": msgspec.json.Decoder(CountMessage),
    "supply": msgspec.json.Decoder(SupplyMessage),
    "recipe": msgspec.json.Decoder(RecipeMessage),
    "order": msgspec.json.Decoder(OrderMessage),
    "tower": msgspec.json.Decoder(TowerMessage),
    "link": msgspec.json.Decoder(LinkMessage),
}


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

    @property
    def subject(self) -> str:
        place = self.line if self.station is None else f"{self.line}/{self.station}"
        return place if self.name is None else f"{place}/{self.name}"


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
    levels = text.removeprefix(root + "/").split("/")
    match levels:
        case [line, "order"]:
            return Address("order", clean_name(line, "line"), None)
        case [line, "order", order]:
            return Address("order", clean_name(line, "line"), None, order)
        case [line, station, ("count" | "supply" | "recipe" | "tower" | "link") as kind]:
            return Address(kind, clean_name(line, "line"), clean_name(station, "station"))
        case [line, station, "recipe", name]:
            return Address("recipe", clean_name(line, "line"), clean_name(station, "station"), name)
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
    except UnicodeDecodeError as error:
        raise Misfit(f"the payload isn't UTF-8 (byte {error.start})") from None
    except RecursionError:
        raise Misfit("the payload is nested too deeply") from None
    except (msgspec.MsgspecError, ValueError) as error:
        raise Misfit(str(error)) from None
    return _finish(address, message)


def _finish(address: Address, message: Message) -> Message:
    """Rules that span fields, and names made NFC."""
    match message:
        case CountMessage():
            if not message.slots and message.panels is None:
                raise Misfit("a count needs `slots` or `panels`")
            clean = {clean_name(slot, "slot"): count for slot, count in message.slots.items()}
            return message if clean.keys() == message.slots.keys() else _with_slots(message, clean)
        case SupplyMessage():
            if message.change == "counted" and message.quantity is None:
                raise Misfit("`counted` needs `quantity`")
            return msgspec.structs.replace(message, slot=clean_name(message.slot, "slot"))
        case RecipeMessage():
            return msgspec.structs.replace(
                message,
                recipe=_one_name(message.recipe, address.name, "recipe"),
                usage={clean_name(slot, "slot"): usage for slot, usage in message.usage.items()},
                parts={clean_name(slot, "slot"): part for slot, part in message.parts.items()},
                alternates=[[clean_name(slot, "slot") for slot in group] for group in message.alternates],
            )
        case OrderMessage():
            return msgspec.structs.replace(message, order=_one_name(message.order, address.name, "order"))
        case TowerMessage():
            return msgspec.structs.replace(
                message, slots=[clean_name(slot, "slot") for slot in message.slots]
            )
        case _:
            return message


def _with_slots(message: CountMessage, slots: dict[str, SlotCount]) -> CountMessage:
    if len(slots) != len(message.slots):
        raise Misfit("two slots have the same name once both are NFC")
    return msgspec.structs.replace(message, slots=slots)


def _one_name(inside: str | None, in_topic: str | None, what: str) -> str:
    given = {unicodedata.normalize("NFC", name) for name in (inside, in_topic) if name is not None}
    if len(given) != 1:
        raise Misfit(f"`{what}` must be named once: payload {inside!r}, topic {in_topic!r}")
    return given.pop()
