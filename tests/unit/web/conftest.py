"""An application with the small invented plant behind it, and a client that calls it in the same process."""

from __future__ import annotations

import warnings
from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from tests.support.floor import Floor, plant

with warnings.catch_warnings():
    # The test client asks for a successor of httpx that this project doesn't use yet.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient


@pytest.fixture
def web() -> tuple[FastAPI, Floor]:
    return plant()


@pytest.fixture
def floor(web: tuple[FastAPI, Floor]) -> Floor:
    return web[1]


@pytest.fixture
def client(web: tuple[FastAPI, Floor]) -> Iterator[TestClient]:
    with TestClient(web[0], raise_server_exceptions=False) as client:
        yield client
