"""Empty stores on either database, for what needs several in a test."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from service.store import Store, open_store, upgrade
from tests.support.postgres import shared_postgres

NewStore = Callable[[str], Store]


def empty_store(kind: str, file: Path) -> Store:
    """In ``file``, or in a database of its own on the server of the tests."""
    if kind == "sqlite":
        return open_store(f"sqlite:///{file}", migrate=True)
    server = shared_postgres()
    url = server.url(server.create())
    upgrade(url)
    return open_store(url, migrate=False)
