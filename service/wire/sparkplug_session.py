"""One edge node's session, from its birth to its death: the order of its messages and the names behind its
aliases (Eclipse Sparkplug 3.0.0, 5.11 and 6.4).

A node numbers what it and its devices send, 0 to 255 and on from 0. What comes too early waits for what is
missing. Nothing here knows what a metric means.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from service.domain.model import Instant
from service.wire.native import Misfit
from service.wire.sparkplug_payload import REBIRTH, Payload, scalar
from service.wire.values import Value

AROUND = 256
LATE = 16
"""So far back a number is a repeat; further back it is the next time around, after a long gap."""
MOST_DEVICES = 1024


class Heard(NamedTuple):
    """A message of a node (``device`` is "") or of one of its devices, and when it came."""

    kind: str
    device: str
    payload: Payload
    at: Instant


class Said(NamedTuple):
    """Values by their names: of now, and of before. ``strange``: an alias that no birth has named."""

    live: list[Value]
    past: list[Value]
    strange: bool


class _Born(NamedTuple):
    """What the birth of the node or of a device named: metrics by their aliases, data types by the names."""

    names: dict[int, str]
    kinds: dict[str, int]


class Session:
    """``died_as``: what its death will carry as bdSeq; ``None``: its birth said none. ``since``: when the
    first of those came that wait, or that are older than the birth."""

    def __init__(self, birth: Payload) -> None:
        self.died_as = birth_number(birth)
        self.takes_rebirths = any(each.name == REBIRTH for each in birth.metrics)
        self.since: Instant | None = None
        self._next = ((birth.seq or 0) + 1) % AROUND
        self._born_at = self._newest = birth.at
        self._doubted: Instant | None = None
        self._waiting: dict[int, Heard] = {}
        self._born: dict[str, _Born] = {}

    def admit(self, heard: Heard) -> list[Heard] | None:
        """Those whose turn has come, in order; ``None``: it was heard before, or belongs to a session before
        this (or its clock was set back: then too a birth is wanted). A message that has no number is taken
        for the next one; a death of a device, which need not have one, is taken at once. What has the number
        of an old one and a newer time belongs to a birth that we missed: its turn never comes."""
        seq, said_at = heard.payload.seq, heard.payload.at
        if said_at is not None and self._born_at is not None and said_at < self._born_at:
            self.since = self._doubted = self.since or heard.at
            return None
        if seq is None:
            if heard.kind == "DDEATH":
                return [heard]
            seq = self._next
        ahead = (seq - self._next) % AROUND
        old = said_at is None or self._newest is None or said_at <= self._newest
        if (ahead >= AROUND - LATE and old) or seq in self._waiting:
            return None
        self._waiting[seq] = heard
        ready = list(self._in_turn())
        self.since = min((each.at for each in self._waiting.values()), default=self._doubted)
        return ready

    def give_up(self) -> list[Heard]:
        """Those that wait, in order; what is missing before and between them is missed no more."""
        ready: list[Heard] = []
        while self._waiting:
            self._next = min(self._waiting, key=lambda seq: (seq - self._next) % AROUND)
            ready += self._in_turn()
        self.since = self._doubted = self._born_at = None
        return ready

    def learn(self, heard: Heard) -> None:
        """What a birth says of names, aliases and data types. Raises ``Misfit`` for one device too many."""
        if len(self._born) > MOST_DEVICES and heard.device not in self._born:
            raise Misfit(f"the node has more than {MOST_DEVICES} devices")
        names, kinds = self._born[heard.device] = _Born({}, {})
        for each in heard.payload.metrics:
            if each.name is not None:
                kinds[each.name + each.path] = each.kind
                if each.alias is not None:
                    names[each.alias] = each.name

    def is_born(self, device: str) -> bool:
        return device in self._born

    def forget(self, device: str) -> None:
        """It died; until its next birth nothing that it says is understood."""
        self._born.pop(device, None)

    def values(self, heard: Heard) -> Said:
        """What a message says of something that was born. Times that it doesn't give are the payload's."""
        live: list[Value] = []
        past: list[Value] = []
        names, kinds = self._born[heard.device]
        strange = False
        for each in heard.payload.metrics:
            name = each.name
            if name is None and each.alias is not None:
                name = names.get(each.alias)
            if name is None:
                strange = strange or each.alias is not None
                continue
            name += each.path
            content = scalar(each, each.kind or kinds.get(name, 0))
            at = heard.payload.at if each.at is None else each.at
            (past if each.historical else live).append(Value(name, content, at))
        return Said(live, past, strange)

    def _in_turn(self) -> Iterator[Heard]:
        while (heard := self._waiting.pop(self._next, None)) is not None:
            self._next = (self._next + 1) % AROUND
            if self._newest is None or (heard.payload.at or 0) > self._newest:
                self._newest = heard.payload.at
            yield heard


def birth_number(payload: Payload) -> int | None:
    """The bdSeq of a birth or a death, whichever integer type it has."""
    for each in payload.metrics:
        if each.name == "bdSeq" and isinstance(each.raw, int):
            return each.raw
    return None
