"""Which of what is heard or asked is ours, where several shards hear one floor."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

import msgspec

from service.domain import elsewhere
from service.domain.shards import Division, owner_of
from service.domain.world import World
from service.usecases.batch import Ask, Heard


class Ours:
    """``root``: of our own contract's topics."""

    def __init__(self, division: Division, root: str) -> None:
        self._division = division
        self._root = root.encode() + b"/"

    @property
    def speaks_for_all(self) -> bool:
        """Whether what belongs to no line is ours to set aside and to tell."""
        return self._division.own.catches_all

    @property
    def name(self) -> str:
        return self._division.own.name

    def line(self, line: str) -> bool:
        return self._division.is_ours(line)

    def topic(self, topic: bytes) -> bool:
        """By the topic's line alone: whatever else is wrong with it, one shard says so."""
        line = topic.removeprefix(self._root).partition(b"/")[0]
        return self._division.is_ours(unicodedata.normalize("NFC", line.decode("utf-8", "replace")))

    def why_not(self, ask: Ask) -> str | None:
        """What whoever asks is told; ``None``: it is ours to do."""
        line = ask.address.line
        if not line or self._division.is_ours(line):
            return None
        owner = owner_of(line, self._division.shards)
        whose = "no shard" if owner is None else f"shard {owner.name}"
        return f"line {line} is of {whose}, this is {self._division.own.name}"


def nothing_else(heard: Mapping[str, Heard], messages: int) -> bool:
    """Whether all of a batch's messages were of lines elsewhere, in our own contract."""
    return heard.keys() == {""} and heard[""].elsewhere == messages


def word_of(world: World, shard: str) -> bytes | None:
    """What other shards are told with a batch, as JSON; ``None``: nothing."""
    told = elsewhere.say(world, shard)
    return None if told is None else msgspec.json.encode(told)
