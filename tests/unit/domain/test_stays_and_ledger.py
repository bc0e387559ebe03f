"""The memory of lots against a naive ledger of every single part, over random stories."""

from __future__ import annotations

from itertools import count as numbers
from random import Random

import pytest

from service.domain.stays import Span
from tests.support.lots import Kept, Ledger
from tests.support.story import Story

USAGE = 6


class Plant:
    """A slot that gives six parts a panel, counts that come after some panels or in the middle of one, and
    people and machines who say what they do when they do it."""

    def __init__(self, seed: int, kind: str) -> None:
        self.random = Random(seed)
        self.kind = kind
        self.story = Story()
        self.kept, self.ledger = Kept(self.story), Ledger()
        self.names = numbers(1)
        self.panels = self.inside = 0
        self.story.recipe({"F1": USAGE})
        self.story.first("F1")
        self.load()

    def lot(self) -> str:
        return f"A{next(self.names)}"

    def place(self, parts: int) -> None:
        self.ledger.place(parts)
        self.inside += parts
        if self.inside == USAGE:
            self.inside, self.panels = 0, self.panels + 1
            self.ledger.complete()

    def make(self) -> None:
        """Some panels' worth, then a count."""
        for _ in range(self.random.choice((1, 1, 1, 2, 4))):
            self.finish()
        if self.kind == "tape" and self.random.random() < 0.3:
            self.place(self.random.randrange(1, USAGE))
        self.count()

    def finish(self) -> None:
        self.story.later(20)
        self.place(USAGE - self.inside)

    def count(self) -> None:
        self.story.later(1)
        self.story.count({"F1": (self.ledger.total, 0)}, session="s1", panels=self.panels)

    def load(self) -> None:
        lot = self.lot()
        self.ledger.chain = [(lot, 10**9)]
        self.story.load("F1", 5000, kind=self.kind, lot=lot, by="Ines", ago=0)

    def midway(self) -> None:
        """What is done between two counts: on a tape anywhere, else at a boundary."""
        if self.random.random() < 0.5:
            self.finish()
        if self.kind == "tape" and not self.inside and self.random.random() < 0.5:
            self.place(self.random.randrange(1, USAGE))

    def join(self) -> None:
        """What feeds really holds what the books say."""
        slot = self.story.slot("F1")
        left, done = slot.book or 0, self.ledger.total - slot.used - slot.before
        lot, quantity = self.lot(), self.random.randrange(40, 90)
        if len(self.ledger.chain) == 1 and left - done > 0:
            self.ledger.chain = [(self.ledger.chain[0][0], left - done)]
        elif left - done <= 0:
            return
        self.ledger.chain.append((lot, quantity))
        self.story.join("F1", quantity, lot=lot, by="Ines", ago=0)

    def load_few(self) -> None:
        """So few that a tape joined behind it is reached."""
        self.count()
        lot, quantity = self.lot(), self.random.randrange(40, 90)
        self.ledger.chain = [(lot, quantity)]
        self.story.load("F1", quantity, kind="tape", lot=lot, ago=0)
        self.join()

    def remove_and_load(self) -> None:
        self.story.remove("F1", ago=0)
        self.story.later(30)
        self.load()

    def undo(self) -> None:
        """What was told by mistake: nothing of it is true."""
        event = f"e{next(self.names)}"
        self.story.load("F1", 700, kind=self.kind, lot="never", id=event, ago=0)
        if self.random.random() < 0.5:
            self.finish()
            self.count()
        assert self.story.supply("undone", "F1", undoes=event) is not None

    def come_late(self) -> None:
        """A count that was taken before an exchange is heard after it."""
        self.finish()
        self.story.later(5)
        total, panels = self.ledger.total, self.panels
        self.load()
        self.story.later(5)
        self.story.count({"F1": (total, 0)}, ago=9, session="s1", panels=panels)

    def run_out(self) -> None:
        """It runs out, somebody refills it and says with what only after some panels."""
        if self.kind == "tape" and not self.inside:
            self.place(self.random.randrange(1, USAGE))
        self.story.out("F1", ago=0)
        self.ledger.chain = [(lot := self.lot(), 10**9)]
        self.story.later(30)
        self.story.green(ago=0)
        for _ in range(self.random.randrange(1, 4)):
            self.make()
        self.story.load("F1", 5000, kind=self.kind, lot=lot, by="Ines", ago=0)

    def step(self) -> None:
        deeds = [self.make, self.make, self.make, self.load, self.midway, self.come_late, self.run_out]
        deeds += [self.remove_and_load, self.undo] if len(self.ledger.chain) == 1 else []
        if self.kind == "tape" and len(self.ledger.chain) == 1:
            deeds += [self.load_few]
        self.random.choice(deeds)()
        if len(self.ledger.chain) > 1:
            self.run_through()

    def run_through(self) -> None:
        while len(self.ledger.chain) > 1:
            self.finish()
            self.count()
            while len(self.ledger.chain) > 1 and self.ledger.chain[0][1] <= 0:
                del self.ledger.chain[0]
        self.load()


@pytest.mark.parametrize("kind", ["tape", "tray"])
@pytest.mark.parametrize("seed", range(12))
def test_every_part_belongs_to_one_stay_or_to_the_doubt_between_two(seed: int, kind: str) -> None:
    plant = Plant(seed, kind)
    for _ in range(40):
        plant.step()
    plant.make()
    plant.make()
    stays = plant.kept.of("F1")
    spans = {placed.stay.lot: plant.kept.spans(placed) for placed in stays}
    assert sum(plant.kept.used(placed) for placed in stays) == plant.ledger.total
    for panel, lots in plant.ledger.panels:
        possible = {lot for lot, mine in spans.items() if any(_in(span.possible, panel) for span in mine)}
        sure = {lot for lot, mine in spans.items() if any(_in(span.sure, panel) for span in mine)}
        assert lots <= possible, f"panel {panel} has {lots}, told were {possible}"
        assert not sure or sure == lots, f"panel {panel} has {lots}, surely told was {sure}"
    assert len(stays) < 2 or _doubt(spans) <= 6 * (len(stays) - 1)


def _doubt(spans: dict[str | None, list[Span]]) -> int:
    """Panels that are told of more than one supply, for each of them but one."""
    possible = [span.possible for mine in spans.values() for span in mine]
    told = sum(last - first + 1 for first, last in possible)
    return told - len({panel for first, last in possible for panel in range(first, last + 1)})


def _in(panels: tuple[int, int] | None, panel: int) -> bool:
    return panels is not None and panels[0] <= panel <= panels[1]
