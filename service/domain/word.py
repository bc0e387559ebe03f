"""What shards of one floor tell each other: which supplies were over, and what is known of those with a name.

Values alone; ``elsewhere`` has what a shard does with what another told it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec

from service.domain.history import Booked, End
from service.domain.model import SECOND, Instant
from service.domain.state import SupplyState

TAKEN_BACK_WITHIN = 300 * SECOND
"""So long an end may still be taken back where it was noted; the clocks of two machines may differ."""


class Taught(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A supply was over and taught this; ``undone``: it wasn't, after all."""

    kind: str | None = None
    part: str | None = None
    basis: str
    end: End
    undone: bool = False


class HeardOf(msgspec.Struct, array_like=True):
    """How far another shard's word was heard, and the ends of it that it may still take back."""

    shard: str
    position: int = 0
    booked: list[Booked] = []


@dataclass(slots=True)
class Word:
    """What others are to be told with the next commit, where there are any (``wanted``). ``changed`` are the
    named supplies that the event in hand touched, ``moved`` those that left a slot; ``supplies`` all since
    the last commit; ``used`` the parts that late counts say came out of supplies that are elsewhere by now;
    ``left`` what was left in those of ours that somebody loaded elsewhere."""

    wanted: bool = False
    changed: set[str] = field(default_factory=set)
    moved: set[str] = field(default_factory=set)
    supplies: set[str] = field(default_factory=set)
    taught: list[Taught] = field(default_factory=list)
    used: dict[str, int] = field(default_factory=dict)
    left: dict[str, SupplyState] = field(default_factory=dict)

    def clear(self) -> None:
        for each in (self.changed, self.moved, self.supplies, self.taught, self.used, self.left):
            each.clear()

    def teach(self, booked: Booked, *, undone: bool = False) -> None:
        if self.wanted:
            kind, part, basis = booked.kind, booked.part, booked.basis
            self.taught.append(Taught(kind=kind, part=part, basis=basis, end=booked.end, undone=undone))


def heard_key(shard: str) -> str:
    return f"elsewhere/{shard}"


def forget_old(heard: HeardOf, at: Instant) -> None:
    heard.booked = [each for each in heard.booked if each.end.at > at - TAKEN_BACK_WITHIN]
