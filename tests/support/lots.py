"""A naive ledger of one slot: every part that was ever placed, with its lot and panel; and the stays that a
story keeps meanwhile, as a store would have them."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.domain.lots import Placed
from service.domain.policy import Policy
from service.domain.stays import Run, Span, spans
from tests.support.story import Story

TAPE = {"F1": 5}


@dataclass(slots=True)
class Kept:
    """What commits would have written so far."""

    story: Story
    stays: dict[str, Placed] = field(default_factory=dict)
    runs: dict[str, Run] = field(default_factory=dict)

    def commit(self) -> None:
        found = self.story.world.stays.take()
        for name in found.gone:
            self.stays.pop(name, None)
        self.stays |= {placed.id: placed for placed in found.stays}
        self.runs |= {each.id: each.run for each in found.runs}

    def of(self, slot: str) -> list[Placed]:
        self.commit()
        mine = [placed for placed in self.stays.values() if placed.slot == slot]
        return sorted(mine, key=lambda placed: (placed.stay.begun.used, placed.stay.first_at))

    def one(self, lot: str | None) -> Placed:
        self.commit()
        [found] = [placed for placed in self.stays.values() if placed.stay.lot == lot]
        return found

    def used(self, placed: Placed) -> int:
        used = placed.stay.used
        if used is not None and not placed.stay.feeds:
            return used
        now = self.story.slot(placed.slot).used
        return now - placed.stay.begun.used if used is None else min(used, now - placed.stay.begun.used)

    def spans(self, placed: Placed) -> list[Span]:
        self.commit()
        runs = sorted(self.runs.values(), key=lambda run: run.since)
        slot = self.story.slot(placed.slot)
        return spans(placed.slot, placed.stay, runs, self.story.station().progress + (slot.taken > 0))

    def panels(self, lot: str | None) -> list[tuple[str | None, tuple[int, int], tuple[int, int] | None]]:
        return [(span.order, span.possible, span.sure) for span in self.spans(self.one(lot))]


@dataclass(slots=True)
class Ledger:
    """``chain``: (lot, parts really in it) of what feeds and of what is joined behind it; ``placed``: the
    lots of each panel, from 1."""

    chain: list[tuple[str | None, int]] = field(default_factory=list)
    placed: list[list[str | None]] = field(default_factory=lambda: [[]])
    total: int = 0

    def place(self, parts: int) -> None:
        """Into the panel in work."""
        for _ in range(parts):
            while len(self.chain) > 1 and self.chain[0][1] <= 0:
                del self.chain[0]
            lot, left = self.chain[0]
            self.chain[0] = (lot, left - 1)
            self.placed[-1].append(lot)
            self.total += 1

    def complete(self) -> None:
        self.placed.append([])

    @property
    def panels(self) -> list[tuple[int, set[str | None]]]:
        return [(number, set(lots)) for number, lots in enumerate(self.placed, 1) if lots]


def line(usage: dict[str, int], policy: Policy | None = None, *, quantity: int = 5000) -> tuple[Story, Kept]:
    """A story of a station whose slots use that and were loaded with lot A1 each, and what is kept of it."""
    story = Story(policy)
    story.recipe(usage)
    story.first(*usage)
    for slot in usage:
        kind = "tray" if slot.startswith("T") else "tape"
        story.load(slot, quantity, kind=kind, part="R-10K", lot="A1", by="Ines", ago=0)
    return story, Kept(story)
