"""The store on each database: every test gets a fresh one, copied from a template that was migrated once."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store import Store, open_store, upgrade
from tests.support.postgres import Postgres, shared_postgres

BACKENDS = ("sqlite", "postgresql")


@pytest.fixture(scope="session")
def postgres() -> Postgres:
    return shared_postgres()


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("template") / "store.db"
    upgrade(f"sqlite:///{path}")
    return path


@pytest.fixture(scope="session")
def postgres_template(postgres: Postgres) -> str:
    name = postgres.create()
    upgrade(postgres.url(name))
    return name


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def url(backend: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    """Where an empty store at the newest revision is."""
    if backend == "sqlite":
        path = tmp_path / "store.db"
        shutil.copy(request.getfixturevalue("sqlite_template"), path)
        yield f"sqlite:///{path}"
    else:
        server: Postgres = request.getfixturevalue("postgres")
        name = server.create(template=request.getfixturevalue("postgres_template"))
        yield server.url(name)
        server.drop(name)


@pytest.fixture
def open_again(url: str) -> Iterator[Callable[..., Store]]:
    """``open_again(query="")`` opens the store once more, as another process would."""
    opened: list[Store] = []

    def open_it(query: str = "") -> Store:
        opened.append(open_store(url + query, migrate=False))
        return opened[-1]

    yield open_it
    for store in opened:
        store.close()


@pytest.fixture
def store(open_again: Callable[..., Store]) -> Store:
    return open_again()
