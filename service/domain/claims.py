"""What is known around a station that stood, and its time as it is claimed for one cause or another."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from service.domain.flow import Flow
from service.domain.model import SECOND, Instant, Span
from service.domain.spans import Between, Tower
from service.domain.stands import Gap, Run
from service.domain.track import Cause, Supplied

SAME = 2 * SECOND
"""Moments of different sources that may be one."""


@dataclass(slots=True)
class Piece:
    """A station stood. ``marks`` are the names of what speaks for the cause, for ``stop_words``."""

    since: Instant
    until: Instant
    cause: Cause
    marks: tuple[str, ...] = ()
    slot: str | None = None
    supplied: Supplied | None = None
    neighbour: str | None = None

    @property
    def length(self) -> Instant:
        return self.until - self.since


@dataclass(slots=True)
class Place:
    """A station in its line, with what is known around it. ``takes``: when it began each gap's panel, once
    that is known."""

    run: Run
    tower: Tower
    earlier: tuple[Place, Flow] | None
    later: tuple[Place, Flow] | None
    is_first: bool
    is_last: bool
    rests: Sequence[Span]
    between: Sequence[Between]
    unknown: Sequence[Span]
    offline: Sequence[Span]
    supplies: Sequence[Supplied]
    needs_stop: Callable[[str], bool | None]
    """Whether a slot's supply can be exchanged between two panels only; ``None``: not known."""
    takes: list[Instant] = field(default_factory=list)
    pieces: list[Piece] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.run.track.station

    def waits(self, since: Instant, until: Instant) -> bool:
        """Whether its tower said so meanwhile."""
        return self.tower.begins_to_wait(since, until) is not None

    def loaded(self, since: Instant, until: Instant, slot: str | None = None) -> list[Supplied]:
        return [
            each
            for each in self.supplies
            if since <= each.at <= until
            and each.change in ("loaded", "joined")
            and (slot is None or each.slot == slot)
        ]

    def ran_out(self, supplied: Supplied) -> bool:
        """By the books the supply before didn't last for another panel."""
        if supplied.left is None:
            return False
        ruling = [each for each in self.run.track.recipes if each.at <= supplied.at]
        usage = ruling[-1].usage.get(supplied.slot, 0.0) if ruling else 0.0
        return supplied.left < max(usage, 1.0)


class Claims:
    """The time of a gap as it is claimed; ``left`` is what may still be claimed."""

    def __init__(self, gap: Gap) -> None:
        self.gap = gap
        self.pieces: list[Piece] = []
        self.left = gap.length if gap.open else max(0, gap.over)

    def claim(self, piece: Piece, *, at_most: Instant | None = None) -> Instant:
        """As much of it as nobody has claimed; how much that is."""
        room = self.left if at_most is None else min(self.left, at_most)
        claimed = 0
        for since, until in self._free(max(piece.since, self.gap.since), min(piece.until, self.gap.until)):
            end = min(until, since + room - claimed)
            if end > since:
                self.pieces.append(
                    Piece(since, end, piece.cause, piece.marks, piece.slot, piece.supplied, piece.neighbour)
                )
                claimed += end - since
        self.left -= claimed
        return claimed

    def _free(self, since: Instant, until: Instant) -> Iterable[Span]:
        for piece in sorted(self.pieces, key=lambda each: each.since):
            if piece.until <= since or piece.since >= until:
                continue
            if piece.since > since:
                yield since, piece.since
            since = max(since, piece.until)
        if since < until:
            yield since, until

    def begun(self) -> Instant:
        """When the station began the panel: after all that kept it between two. A fault is of a panel in
        work, and so is a supply that runs out, but for one that is exchanged between panels."""
        at = self.gap.since
        for piece in sorted(self.pieces, key=lambda each: each.since):
            if piece.since > at + SAME or piece.cause is Cause.FAULT or "within a panel" in piece.marks:
                break
            at = max(at, piece.until)
        return at
