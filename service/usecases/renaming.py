"""A recording under other names that decides what the recording decides.

Both are folded side by side: an act on a notice is about the one with its other id, and what people are told
is compared after each entry. Where it isn't the same, no recording is given.
"""

from __future__ import annotations

from collections.abc import Iterable
from operator import itemgetter

import msgspec

from service.desk import Unfit
from service.domain.events import JournalEntry, Message, OrderMessage, RecipeMessage, SupplyMessage
from service.domain.history import law_key
from service.domain.model import Notice
from service.domain.notices import Told
from service.domain.world import World
from service.usecases.disguise import Disguise
from service.usecases.fold import begin, fold, policy_of
from service.usecases.pseudonyms import Names
from service.wire.journal import StartState, read_entry
from service.wire.native import Address

_encode = msgspec.json.Encoder().encode
_Told = tuple[tuple[str, ...], Told]


class Renaming:
    """Its own world beside the renamed one. Each call is about what comes next."""

    def __init__(self, names: Names) -> None:
        self._disguise = Disguise(names)
        self._world, self._renamed = World(), World()

    def start(self, start: StartState) -> StartState:
        policy = policy_of(start.policy)
        self._disguise.timezone = policy.timezone
        other = self._disguise.of(start)
        other.policy = msgspec.Raw(_encode(self._disguise.of(policy)))
        other.supplies.sort(key=lambda supply: supply.name)
        other.standing.sort(key=lambda each: "" if each.notice is None else each.notice.id)
        other.learned.sort(key=lambda learned: law_key(learned.kind, learned.part))
        self._world, self._renamed = begin(_copy(start)), begin(_copy(other))
        return other

    def entry(self, number: int, entry: JournalEntry) -> JournalEntry:
        told = fold(self._world, entry) or []
        other = self._entry(entry)
        self._pair(number, told, fold(self._renamed, other) or [])
        return other

    def _entry(self, entry: JournalEntry) -> JournalEntry:
        if entry.kind == "settings":
            policy = policy_of(entry.data)
            self._disguise.timezone = policy.timezone
            return msgspec.structs.replace(entry, data=_encode(self._disguise.of(policy)))
        address, message = read_entry(entry)
        other = self._disguise.of(message)
        if isinstance(other, SupplyMessage) and other.id is None and other.at is not None:
            other = msgspec.structs.replace(other, id=self._name_of_it(address, other.slot))
        return JournalEntry(entry.at, entry.kind, _subject(address, other), _encode(other), entry.retained)

    def _name_of_it(self, address: Address, slot: str) -> str | None:
        """What an event without an id goes by is a sum of all that it says, from which names could be
        guessed."""
        given = self._world.station(address.line, address.station or "").slots[slot].supply_ids
        return self._disguise.names.of("event", given[-1]) if given else None

    def _pair(self, number: int, told: list[Told], others: list[Told]) -> None:
        ours = _sorted((_what(each.notice, self._disguise.about(each.notice)), each) for each in told)
        theirs = _sorted((_what(each.notice, each.notice.about), each) for each in others)
        if [_facts(each) for each in ours] != [_facts(each) for each in theirs]:
            raise Unfit(f"under pseudonyms entry {number} would be decided otherwise: none are given")
        for (_, one), (_, other) in zip(ours, theirs, strict=True):
            self._disguise.notices[one.notice.id] = other.notice.id


def _copy(start: StartState) -> StartState:
    """A world changes what it is given."""
    return msgspec.json.decode(_encode(start), type=StartState)


def _subject(address: Address, message: Message) -> str:
    """Orders and recipes are named in it."""
    named = message.order if isinstance(message, OrderMessage) else None
    named = message.recipe if isinstance(message, RecipeMessage) else named
    if named is None or address.name is None:
        return address.subject
    return Address(address.kind, address.line, address.station, named).subject


def _sorted(told: Iterable[_Told]) -> list[_Told]:
    """What is told at once comes in the order of ids, which are others."""
    return sorted(told, key=itemgetter(0))


def _what(notice: Notice, about: str | None) -> tuple[str, ...]:
    """Which notice it is, whatever it is called."""
    place = (notice.line or "", notice.station or "", notice.slot or "")
    return (*place, notice.kind, about or "", notice.opened_at, str(notice.version), str(notice.reminded))


def _facts(told: _Told) -> tuple[object, ...]:
    what, each = told
    notice = each.notice
    return (
        *what,
        each.change,
        each.calls,
        len(each.outlets or ()),
        len(notice.hears),
        notice.level,
        notice.state,
        notice.changed_at,
        notice.escalated,
        notice.panels_to_empty,
        notice.empty_at,
    )
