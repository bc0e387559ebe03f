"""The same journal under the same settings gives the same: at any speed, in any batches, on either database.

The whole of it, an eight-hour shift, is ``python -m tests.evaluation.determinism``.
"""

from __future__ import annotations

import pytest

from service.wire.journal import read_line
from tests.support.again import WAYS, Outcome, replayed
from tests.support.busy import busy_shift
from tests.support.stores import NewStore

HOURS = 0.4


@pytest.fixture(scope="module")
def shift() -> list[bytes]:
    return busy_shift(HOURS)


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
