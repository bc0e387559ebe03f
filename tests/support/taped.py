"""A recorded hour of the made-up line, and what a store knows once it was replayed."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from service.domain.model import Notice
from service.store import Store
from simulators.scenario import load_scenario, shipped
from tests.support.shifts import shift

ALL = ["open", "taken", "quiet", "closed"]


@cache
def taped() -> tuple[bytes, ...]:
    """The lines of its recording; people take warnings and exchange supplies in it."""
    return tuple(shift(load_scenario(shipped()["demo"]), seed=5, hours=1.0).lines)


def tape(folder: Path) -> Path:
    file = folder / "shift.jsonl"
    file.write_bytes(b"".join(taped()))
    return file


def notices_of(store: Store) -> list[Notice]:
    """All there ever were."""
    kept: list[Notice] = []
    after = None
    while page := store.archive.notices(states=ALL, limit=500, after=after):
        kept += page
        after = page[-1].id
    return kept
