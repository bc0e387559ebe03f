"""What tests across several stores may ask for."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store import Store
from tests.support.stores import NewStore, empty_store


@pytest.fixture
def new_store(tmp_path: Path) -> Iterator[NewStore]:
    """``new_store("sqlite")`` or ``new_store("postgresql")``: an empty one, closed after the test."""
    opened: list[Store] = []

    def make(kind: str) -> Store:
        opened.append(empty_store(kind, tmp_path / f"{len(opened)}.db"))
        return opened[-1]

    yield make
    for store in opened:
        store.close()
