"""A source of our own contract under a root of its own: nothing to translate."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from service.domain.model import Instant
from service.wire.gateway import Memory, Native, Plain
from service.wire.native import read_topic


class Nothing(msgspec.Struct, array_like=True):
    """What a translator remembers that has no need to."""


class NativeTranslator(Plain):
    """``root``: that of its topics."""

    def __init__(self, root: str) -> None:
        self.filters: tuple[str, ...] = (f"{root}/#",)
        self.memory = Memory(Nothing, Nothing)
        self._root = root

    def hear(self, topic: str, payload: bytes, *, at: Instant, retained: bool = False) -> Sequence[Native]:
        return [Native(read_topic(topic.encode(), self._root), payload)]
