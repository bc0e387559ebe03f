"""What was known of losses when a time began: by how much slots of a kind usually differ, for a review."""

from __future__ import annotations

from service.domain.depletion import Belief
from service.domain.events import JournalEntry
from service.domain.learning import ENOUGH
from service.domain.memory import Memory
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.world import World


class Taught:
    """Looks on (``observe.Watch``) and keeps the laws that held at the first entry. What a kind hasn't shown
    by twenty finished supplies isn't known: what the forecast begins with is a guess, no measure."""

    def __init__(self) -> None:
        self._beliefs: dict[tuple[str | None, str | None], Belief] | None = None

    def look(self, world: World, at: Instant, entry: JournalEntry, told: list[Told]) -> None:
        if self._beliefs is None:
            self._beliefs = known(world.memory)

    def usual(self, kind: str | None, part: str | None) -> Belief | None:
        """The part's own where it has one, else the kind's."""
        beliefs = self._beliefs or {}
        return beliefs.get((kind, part)) or beliefs.get((kind, None))


def known(memory: Memory) -> dict[tuple[str | None, str | None], Belief]:
    return {
        (each.kind, each.part): memory.belief(each.kind, each.part)
        for each in memory.learned.values()
        if each.finished >= ENOUGH
    }
