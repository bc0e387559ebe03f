"""What every test may ask for. The folder a test lies in decides its marker."""

from __future__ import annotations

import itertools
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import settings

from tests.support import servers
from tests.support.mosquitto import Mosquitto, StartBroker, start_mosquitto
from tests.support.processes import LoadedProgram, Program, StartProgram

TESTS = Path(__file__).parent

ROUNDS = {"acceptance": 0, "browser": 0, "integration": 1, "calibration": 1, "contract": 1}
"""Which files come first when several run at a time; those of a round take turns by folder."""

# Times are measured by benchmarks; a deadline for each example only fails when the machine is busy.
settings.register_profile("earlybell", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("earlybell")


def pytest_configure() -> None:
    try:
        servers.settle()
    except servers.NoServers as error:
        raise pytest.UsageError(str(error)) from error


def pytest_report_header() -> str:
    return servers.told()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.is_relative_to(TESTS):
            item.add_marker(item.path.relative_to(TESTS).parts[0])
    if hasattr(config, "workerinput"):  # several at a time
        turns = _turns(items)
        items.sort(key=lambda item: turns[item.path])


def _turns(items: Sequence[pytest.Item]) -> dict[Path, tuple[int, int]]:
    """When each file is handed out: long ones first, so that none is left alone at the end; those that wait
    in turn with those that compute, so that the cores are always busy."""
    seen = Counter[str]()
    turns: dict[Path, tuple[int, int]] = {}
    for item in items:
        if item.path not in turns:
            folder = item.path.relative_to(TESTS).parts[0] if item.path.is_relative_to(TESTS) else ""
            turns[item.path] = (ROUNDS.get(folder, len(ROUNDS)), seen[folder])
            seen[folder] += 1
    return turns


@pytest.fixture
def start_broker(tmp_path: Path) -> Iterator[StartBroker]:
    """``start_broker(**options)``: a real mosquitto with these keys of its own, gone after the test."""
    numbers = itertools.count(1)
    with ExitStack() as stack:

        def start(**options: object) -> Mosquitto:
            broker = start_mosquitto(tmp_path / f"broker{next(numbers)}", **options)
            stack.callback(broker.remove)
            return broker

        yield start


@pytest.fixture
def broker(start_broker: StartBroker) -> Mosquitto:
    return start_broker()


@pytest.fixture
def start_program(tmp_path: Path) -> Iterator[StartProgram]:
    """``start_program("run", config=…, environment=…)``: the program as a process, gone after the test.

    ``fresh``: as ``python -m service``, where it matters how a process comes to be.
    """
    numbers = itertools.count(1)
    with ExitStack() as stack:

        def start(
            *arguments: str, folder: Path | None = None, fresh: bool = False, **options: object
        ) -> Program:
            home = folder or tmp_path / f"program{next(numbers)}"
            home.mkdir(parents=True, exist_ok=True)
            make = Program if fresh else LoadedProgram
            program = make(home, *arguments, **options)  # type: ignore[arg-type]
            stack.callback(program.remove)
            return program.start()

        yield start
