"""Named values of a device into our own messages: what formats without messages of our kind have in common.

A metric, a data set's field or a topic of its own carries one value under a name. Rules say by a pattern of
the name what a value means and whose it is; this gathers them into counts, supplies, towers, recipes, orders
and links. It takes totals of any beginning: what it says is counted since it first heard of a slot, in a
session of its own, so that a counter that restarts, a repeat or a change of gateway never counts twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec

from service.domain import room
from service.domain.model import Instant, to_datetime, to_rfc3339
from service.wire import batches, gathered
from service.wire.gateway import Memory, Native
from service.wire.gathered import Gathered, Saying
from service.wire.native import Address, Misfit, read_message
from service.wire.rules import OF_LOADS, OF_ORDERS, Meaning, Reader, Rule, Target, Value

__all__ = ["Gathered", "Meaning", "Part", "Rule", "Value", "Values"]

REMEMBERED = ("recipe", "order")
"""Of these it is remembered what was said."""
_MOST_KNOWN, _LONGEST_KNOWN = 65_536, 1000
MOST_STATIONS, MOST_SLOTS = room.MOST_STATIONS, room.MOST_SLOTS
_json = msgspec.json.Encoder().encode


class Part(NamedTuple):
    """The values of one device in a message. ``missing``: so many of its messages before this one were lost,
    by its own numbers."""

    place: Mapping[str, str]
    values: Sequence[Value]
    missing: int = 0


class Values:
    """``memory`` is the translator's own, one piece a station (``line/station``) and one a line that orders
    are heard of. ``ValueError`` says which rule can't be used."""

    def __init__(self, source: str, rules: Sequence[Rule], memory: Memory[Gathered]) -> None:
        self._source = source
        self._memory = memory
        self._readers = [Reader(rule) for rule in rules]
        means = {rule.means for rule in rules}
        self._of_loads = OF_LOADS & means
        self._of_orders = frozenset(OF_ORDERS[each] for each in OF_ORDERS.keys() & means)
        self._known = lru_cache(maxsize=_MOST_KNOWN)(self._targets)

    def take(
        self,
        place: Mapping[str, str],
        values: Sequence[Value],
        *,
        at: Instant,
        live: bool = True,
        retained: bool = False,
    ) -> list[Native]:
        """What these values, heard together at ``at``, say. ``place``: captures that the topic or the device
        gives already. ``live`` false: they are from before (store and forward) and only totals count.
        ``retained``: the broker kept them, so nothing just happened, and no delta and no panel is counted.
        Values that no rule names are ignored. Raises ``Misfit`` for a value that a rule can't read, and then
        nothing of them is remembered."""
        return self.take_all([Part(place, values)], at=at, live=live, retained=retained)

    def take_all(
        self, parts: Iterable[Part], *, at: Instant, live: bool = True, retained: bool = False
    ) -> list[Native]:
        """The same of all the devices that one message speaks of: where one value misfits, nothing of any of
        them is remembered."""
        read = [(part, self._read(part, at, live=live, retained=retained)) for part in parts]
        self.check_room([each for _, heard in read for each in heard.items()])
        return [
            native
            for part, heard in read
            for key, batch in heard.items()
            for native in self.gather(key, batch, part.place, at=at)
        ]

    def check_room(self, heard: Sequence[tuple[str, batches.Batch]]) -> None:
        """Raises ``Misfit`` where more would be remembered than a plant can have: names are whatever is
        sent."""
        if not self._memory.has_room((key for key, _ in heard), MOST_STATIONS):
            raise Misfit(f"{MOST_STATIONS} stations are known already")
        for key, batch in heard:
            slots = {each.slot for each in batch.counts} | batch.loads.keys() | batch.usage.keys()
            piece = self._memory.seen(key)
            if piece is not None:
                if slots <= piece.slots.keys():
                    continue
                slots = slots | piece.slots.keys() | piece.loads.keys() | piece.recipe.usage.keys()
            if len(slots - {""}) > MOST_SLOTS:  # panels have no name
                raise Misfit(f"{key} would have more than {MOST_SLOTS} slots")

    def gather(
        self, key: str, batch: batches.Batch, place: Mapping[str, str], *, at: Instant
    ) -> list[Native]:
        """What values say that were read already; ``key`` is that of their piece of memory."""
        piece = self._piece(key, place, at)
        return natives(key, batches.gather(piece, batch, at, self._of_loads, self._of_orders))

    def tell(self, key: str, said: Saying, *, at: Instant) -> list[Native]:
        """A message that is ours already, unless it says again what is known of a recipe or an order."""
        if said.kind in REMEMBERED and not gathered.is_news(self._piece(key, {}, at), said):
            return []
        return natives(key, [said])

    def _read(self, part: Part, at: Instant, *, live: bool, retained: bool) -> dict[str, batches.Batch]:
        heard: dict[str, batches.Batch] = {}
        place = tuple(part.place.items())
        for name, content, said in part.values:
            # Names are whatever is sent: what is kept of them has bounds.
            for target in (self._known if len(name) <= _LONGEST_KNOWN else self._targets)(place, name):
                if not target.rule.counts_now(live=live, retained=retained):
                    continue
                batch = heard.get(target.key)
                if batch is None:
                    batch = heard[target.key] = batches.Batch(part.missing)
                try:
                    batches.read(batch, target, content, said, at)
                except Misfit as misfit:
                    raise Misfit(f"{name[:80]}: {misfit}") from None
        return heard

    def _targets(self, place: tuple[tuple[str, str], ...], name: str) -> tuple[Target, ...]:
        """Whose a value of that name is, by each rule that names it. Raises ``Misfit`` where a rule that does
        can't tell whose."""
        targets = (reader.target(dict(place), name) for reader in self._readers)
        return tuple(each for each in targets if each is not None)

    def look(self, at: Instant) -> list[Native]:
        """What time alone says: a lamp is steady, the rest of an exchange never came."""
        said: list[Native] = []
        for key, seen in self._memory.items():
            if seen.due is not None and seen.due <= at:
                said += natives(key, gathered.settle(self._memory.of(key), at))
        return said

    def next_moment(self) -> Instant | None:
        """When ``look`` may have something to say next."""
        return min((each.due for _, each in self._memory.items() if each.due is not None), default=None)

    def link(
        self, place: Mapping[str, str], state: Literal["online", "offline"], at: Instant | None
    ) -> list[Native]:
        """The stations that this place (a device, a node) spoke of are to be heard, or not. ``at``: by the
        source's clock."""
        said: list[Native] = []
        for key, seen in self._memory.items():
            if "/" in key and place.items() <= seen.place.items() and seen.link != state:
                self._memory.of(key).link = state
                body = {"state": state} if at is None else {"at": at, "state": state}
                said += natives(key, [Saying("link", body)])
        return said

    def _piece(self, key: str, place: Mapping[str, str], at: Instant) -> Gathered:
        piece = self._memory.of(key)
        if not piece.session:
            piece.session = f"{self._source}@{to_rfc3339(at)}"
        piece.place = dict(place)
        return piece


def check(key: str, said: Saying) -> None:
    """Raises ``Misfit`` for a message that our contract refuses."""
    for address, payload in natives(key, [said]):
        read_message(address, payload)


def natives(key: str, said: Sequence[Saying]) -> list[Native]:
    """As messages of the station or the line that the key names."""
    line, _, station = key.partition("/")
    return [
        Native(Address(kind, line, None if kind == "order" else station), _json(_dated(body)))
        for kind, body in said
    ]


def _dated(body: dict[str, object]) -> dict[str, object]:
    at = body.get("at")
    return body if not isinstance(at, int) else {**body, "at": to_datetime(at)}
