"""The order of a writer's messages by their sequence numbers (OPC 10000-14, 7.2.3 and 7.2.5.4): which come
again, which are missing, and when a publisher has begun anew.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from service.domain.model import Instant

ALL_NUMBERS = 2**32
"""After 4294967295 comes 0."""
NEAR_ZERO = 100
"""A publisher that begins anew counts from zero; so many of its first messages may have been lost."""
MOST_BEHIND = 1000
"""So many messages a broker may bring again after a silence, where their own times say that they are old."""
MOST_IDS = 8


class Heard(msgspec.Struct, array_like=True):
    """What was last heard of a writer: its number, when (``at``), its own time, and the ids of the messages
    that it last came in."""

    last: int | None = None
    at: Instant = 0
    said_at: Instant | None = None
    ids: list[str] = []


class Message(NamedTuple):
    """``id`` is that of the message around it; ``said_at`` its own time, where it can be believed; ``next``:
    ``sequence`` is the number that comes next."""

    sequence: int | None
    id: str | None
    said_at: Instant | None
    next: bool = False


class Verdict(NamedTuple):
    """``repeat``: it was heard before, or is older than what was. ``missing`` messages before it were never
    heard."""

    repeat: bool
    missing: int = 0


def judge(heard: Heard | None, message: Message, at: Instant, patience: int) -> Verdict:
    """``patience``: microseconds without an expected number after which nothing is expected any more, because
    a publisher needn't go on where it stopped."""
    if heard is None:
        return Verdict(repeat=False)
    if message.sequence is None or heard.last is None:
        return Verdict(repeat=_is_known(heard, message))
    ahead = (message.sequence - heard.last - 1) % ALL_NUMBERS
    if at - heard.at >= patience:
        behind = ALL_NUMBERS - 1 - ahead
        old = behind <= MOST_BEHIND and _is_no_later(heard, message) is True
        return Verdict(repeat=old or _is_known(heard, message))
    if ahead > MOST_BEHIND and _begins_anew(heard, message):
        return Verdict(repeat=False)
    ahead_of_it = ahead < ALL_NUMBERS // 2
    return Verdict(repeat=not ahead_of_it, missing=ahead if ahead_of_it else 0)


def _is_known(heard: Heard, message: Message) -> bool:
    """By the id, which is of one message only; a time that says otherwise is believed."""
    return message.id is not None and message.id in heard.ids and _is_no_later(heard, message) is not False


def _begins_anew(heard: Heard, message: Message) -> bool:
    """A number near zero in a message of a later time; where no times are said, in one of another id."""
    if message.sequence is None or message.sequence > NEAR_ZERO:
        return False
    no_later = _is_no_later(heard, message)
    return not no_later if no_later is not None else message.id is not None and message.id not in heard.ids


def _is_no_later(heard: Heard, message: Message) -> bool | None:
    """By their own times; ``None``: they don't say."""
    return None if message.said_at is None or heard.said_at is None else message.said_at <= heard.said_at


def note(heard: Heard, message: Message, at: Instant) -> Heard:
    """What is remembered once a message is no repeat."""
    last = heard.last
    if message.sequence is not None:
        last = (message.sequence - message.next) % ALL_NUMBERS
    said_at = heard.said_at if message.said_at is None else message.said_at
    ids = heard.ids if message.id is None or message.id in heard.ids else [*heard.ids, message.id][-MOST_IDS:]
    return Heard(last, at, said_at, ids)
