"""One floor told twice: to one world that hears everything, and to two shards that hear a line each and what
the other tells."""

from __future__ import annotations

from collections import Counter
from typing import Any

import msgspec

from service.domain import elsewhere
from service.domain.events import Elsewhere
from service.domain.model import SECOND
from service.domain.state import SupplyState
from service.domain.world import World
from service.wire.native import Address
from tests.support.story import Story
from tests.support.written import Written

LINES = ("A", "B")
SLOTS = ("1", "2")


class Apart:
    """Each line is a shard of its name with a station P; ``tell`` passes on what was told since."""

    def __init__(self) -> None:
        self.alone = Story()
        self.shards = {line: Written() for line in LINES}
        for story in self.shards.values():
            story.world.word.wanted = True
        self.words: dict[str, list[bytes]] = {line: [] for line in LINES}
        self.heard = dict.fromkeys(LINES, 0)
        self.totals: dict[str, Counter[str]] = {line: Counter(dict.fromkeys(SLOTS, 0)) for line in LINES}
        self.seq: Counter[str] = Counter()
        for line in LINES:
            self.count(line)

    def say(self, line: str, kind: str, body: dict[str, Any]) -> None:
        """To who hears the line; each message takes a second."""
        shard = self.shards[line]
        now = max(story.now for story in (self.alone, *self.shards.values())) + SECOND
        for story in (self.alone, shard):
            story.now = now
            story.say(f"{line}/P/{kind}", body)
        told = elsewhere.say(shard.world, line)
        if told is not None:
            self.words[line].append(msgspec.json.encode(told))

    def count(self, line: str, **used: int) -> None:
        self.totals[line].update(used)
        self.seq[line] += 1
        slots = {slot: {"placed": placed, "lost": 0} for slot, placed in self.totals[line].items()}
        self.say(line, "count", {"session": "s", "seq": self.seq[line], "slots": slots})

    def load(self, line: str, slot: str, supply: str, quantity: int | None = None) -> None:
        body: dict[str, Any] = {
            "slot": slot,
            "change": "loaded",
            "kind": "tape",
            "part": "R1",
            "supply": supply,
        }
        self.say(line, "supply", body | ({} if quantity is None else {"quantity": quantity}))

    def remove(self, line: str, slot: str) -> None:
        self.say(line, "supply", {"slot": slot, "change": "removed"})

    def tell(self) -> None:
        """Until nobody has anything more to say."""
        while any(self.heard[line] < len(self.words[line]) for line in LINES):
            for line, other in (LINES, LINES[::-1]):
                self.tell_one(line, other)

    def tell_one(self, line: str, other: str) -> None:
        """All that ``line`` told, to ``other``."""
        words, story = self.words[line], self.shards[other]
        while self.heard[line] < len(words):
            self.heard[line] += 1
            said = msgspec.json.decode(words[self.heard[line] - 1], type=Elsewhere)
            said = msgspec.structs.replace(said, position=self.heard[line])
            story.now = max(each.now for each in self.shards.values()) + 1
            assert story.happen(Address("elsewhere", "", None), said) is not None
            assert story.happen(Address("elsewhere", "", None), said) is None
            told = elsewhere.say(story.world, other)
            if told is not None:
                self.words[other].append(msgspec.json.encode(told))


def taught(world: World) -> dict[str, list[tuple[str, int, int, bool]]]:
    """What ended, whatever the order."""
    return {
        key: sorted(
            (basis, end.declared, end.counted, end.empty) for basis in known.ends for end in known.ends[basis]
        )
        for key, known in world.memory.learned.items()
    }


def lies(world: World, known: SupplyState) -> tuple[tuple[str, str, str] | None, int | None]:
    """Where a supply is, and what is left in it."""
    if known.where is not None:
        station = world.stations.get(known.where[:2])
        return known.where, None if station is None else station.slots[known.where[2]].book
    return None, None if known.stock is None else known.stock.declared - known.stock.counted
