"""The same journal under the same settings gives the same: at any speed, in any batches, on either database.

The whole of it, an eight-hour shift, is ``python -m tests.evaluation.determinism``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store import Store, open_store, upgrade
from service.wire.journal import read_line
from tests.support.again import WAYS, Outcome, replayed
from tests.support.busy import busy_shift
from tests.support.postgres import shared_postgres

HOURS = 0.4
NewStore = Callable[[str], Store]


@pytest.fixture(scope="module")
def shift() -> list[bytes]:
    return busy_shift(HOURS)


@pytest.fixture
def new_store(tmp_path: Path) -> Iterator[NewStore]:
    opened: list[Store] = []

    def make(kind: str) -> Store:
        if kind == "sqlite":
            url = f"sqlite:///{tmp_path}/{len(opened)}.db"
        else:
            server = shared_postgres()
            url = server.url(server.create())
            upgrade(url)
        opened.append(open_store(url, migrate=True))
        return opened[-1]

    yield make
    for store in opened:
        store.close()


def test_a_faulty_shift_of_four_lines_is_the_same_however_it_is_replayed(
    shift: list[bytes], new_store: NewStore
) -> None:
    kinds = {getattr(read_line(line), "kind", "state") for line in shift}
    assert kinds >= {"count", "supply", "tower", "person", "time", "settings", "plan", "ready", "state"}
    found: dict[Outcome, list[str]] = {}
    for kind in ("sqlite", "postgresql"):
        for way in WAYS:
            found.setdefault(replayed(shift, new_store(kind), way), []).append(f"{kind} {way}")
    assert len(found) == 1, found
