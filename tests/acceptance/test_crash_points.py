"""Wherever the program dies on the way of a message, counts equal the plant's own books, on both stores."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from service import crash, pulse
from service.store import upgrade
from tests.support.mosquitto import Mosquitto
from tests.support.postgres import shared_postgres
from tests.support.truth import Plant
from tests.support.wait import eventually

RECEIVING = {
    "rx_before_queue": 7,
    "rx_after_queue": 7,
    "after_events_applied": 1,
    "tx_begin": 1,
    "before_commit": 1,
    "after_commit_before_ack": 1,
    "mid_ack_batch": 3,
}
ACTING = ("act_before_commit", "act_after_commit")


@pytest.fixture(params=["sqlite", "postgresql"])
def plant(request: pytest.FixtureRequest, tmp_path: Path, broker: Mosquitto) -> Iterator[Plant]:
    with ExitStack() as stack:
        if request.param == "sqlite":
            store = f"sqlite:///{tmp_path}/store.db"
        else:
            server = shared_postgres()
            name = server.create()
            stack.callback(server.drop, name)
            store = server.url(name)
            upgrade(store)
        home = tmp_path / "plant"
        home.mkdir()
        plant = Plant(home, broker, store)
        stack.callback(plant.close)
        plant.begin()
        yield plant


def test_ended_at_any_point_no_count_is_lost_and_none_is_counted_twice(plant: Plant) -> None:
    plant.program.kill()
    for point, number in RECEIVING.items():
        assert plant.die(f"{point}:{number}") == crash.ENDED, point
    for point in ACTING:
        plant.start(f"{point}:1")
        plant.program.wait_ready(plant.url)
        plant.join(1000, point, expect_answer=False)
        assert plant.program.wait() == crash.ENDED, point
        plant.start()
        plant.join(1000, point, expect_answer=True)
        plant.program.kill()
    plant.start()
    plant.must_agree()


def test_a_failure_at_any_point_is_recovered_from_or_ends_the_process_and_is_never_silent(
    plant: Plant,
) -> None:
    plant.program.kill()
    ended = {}
    for point in ("rx_before_queue", "before_commit", "after_commit_before_ack", "mid_ack_batch"):
        plant.publish()
        plant.start(f"{point}:1:raise")
        eventually(
            lambda: not plant.program.running or plant.counted() == plant.seq,
            timeout=30,
            message=f"{point}: neither recovered nor ended",
        )
        if plant.program.running:
            plant.program.kill()
        else:
            ended[point] = plant.program.wait()
    assert set(ended.values()) <= {1}, ended
    plant.start()
    plant.must_agree()


def test_a_thread_that_hangs_at_any_point_is_ended_by_the_watchdog(plant: Plant) -> None:
    plant.program.kill()
    for point in ("rx_after_queue", "before_commit"):
        assert plant.die(f"{point}:1:hang") == pulse.EXIT_CODE, point
    stuck = [line for line in map(json.loads, plant.program.log().splitlines()) if line["action"] == "stuck"]
    assert len(stuck) == 2
    assert "broker" in stuck[0]["threads"]
    assert "owner" in stuck[1]["threads"]
    assert "_commit" in stuck[1]["stacks"]["owner"]
    plant.start()
    plant.must_agree()
