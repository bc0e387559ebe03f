"""Broker and store go away, forget, refuse and run full: it waits, says why, and goes on without a gap."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import httpx
import pytest
from sqlalchemy import make_url

from service import pulse
from service.store import upgrade
from tests.support.forked import IMPATIENT
from tests.support.mosquitto import StartBroker
from tests.support.postgres import shared_postgres
from tests.support.processes import StartProgram
from tests.support.proxy import Proxy
from tests.support.truth import Plant
from tests.support.wait import eventually

StartPlant = Callable[..., Plant]


@pytest.fixture
def start_plant(tmp_path: Path, start_broker: StartBroker) -> Iterator[StartPlant]:
    plants: list[Plant] = []

    def start(store: str = "", protocol: int = 5, **options: object) -> Plant:
        home = tmp_path / "plant"
        home.mkdir()
        broker = start_broker(**options)
        plants.append(Plant(home, broker, store or f"sqlite:///{home}/store.db", protocol=protocol))
        plants[-1].begin()
        return plants[-1]

    yield start
    for plant in plants:
        plant.close()


def until_not_ready(plant: Plant, reason: str) -> None:
    eventually(
        lambda: (said := plant.readiness())[0] == httpx.codes.SERVICE_UNAVAILABLE and reason in said[1],
        timeout=20,
        message=lambda: f"{plant.readiness()} doesn't say {reason!r}",
        ignoring=(),
    )


def test_what_a_broker_lost_is_noticed_asked_for_and_shown_until_the_gateway_sends_it_again(
    start_plant: StartPlant,
) -> None:
    plant = start_plant()
    plant.program.kill()
    lost = [plant.message("DELTA", 5), plant.message("TOTAL", 5)]
    plant.gateway.send("L/DELTA/count", **lost[0])
    plant.gateway.send("L/TOTAL/count", **lost[1])
    # Acknowledged to the gateway and gone: a broker that is killed keeps what it last saved.
    plant.broker.kill()
    plant.broker.start()
    plant.start()
    plant.program.wait_for_log("broker_session_lost")
    plant.listen("earlybell/+/+/resend")
    plant.publish(1)
    plant.until_counted()
    assert plant.metric("earlybell_broker_sessions_lost_total") >= 1
    assert plant.left()["TOTAL"] == plant.books.left()["TOTAL"], "totals heal by themselves"
    assert plant.left()["DELTA"] == plant.books.left()["DELTA"] + 5
    assert plant.stations()["DELTA"]["uncertain_since"] is not None
    assert plant.stations()["TOTAL"]["uncertain_since"] is None, "nothing is uncertain about a total"
    wanted = {"session": "s", "from": 2, "to": 2}
    eventually(lambda: plant.gateway.last("earlybell/L/DELTA/resend") == wanted, timeout=15)
    assert plant.gateway.last("earlybell/L/TOTAL/resend") in (wanted, None)
    plant.gateway.send("L/DELTA/count", **lost[0])
    eventually(lambda: plant.left() == plant.books.left(), timeout=15)
    plant.must_agree()


def test_a_queue_that_ran_over_while_we_were_down_shows_as_a_hole_that_is_asked_for(
    start_plant: StartPlant,
) -> None:
    """The broker acknowledges what it drops; only the numbers tell."""
    plant = start_plant(max_queued_messages=50, max_inflight_messages=20)
    plant.program.kill()
    plant.publish(60)
    plant.listen("earlybell/+/+/resend")
    plant.start()
    eventually(lambda: plant.counted()["DELTA"] > 20, timeout=20)
    plant.publish(1)
    plant.until_counted()
    assert plant.left()["TOTAL"] == plant.books.left()["TOTAL"]
    assert plant.left()["DELTA"] > plant.books.left()["DELTA"]
    assert plant.stations()["DELTA"]["uncertain_since"] is not None
    asked = eventually(lambda: plant.gateway.last("earlybell/L/DELTA/resend"), timeout=15)
    assert asked["from"] <= asked["to"] < plant.seq["DELTA"]


def test_a_backup_made_while_it_runs_is_put_back_and_what_came_since_heals(
    start_plant: StartPlant, start_program: StartProgram, tmp_path: Path
) -> None:
    plant = start_plant()
    plant.publish(5)
    plant.until_counted()
    copy = str(tmp_path / "copy")
    store = {"EARLYBELL_STORE__URL": f"sqlite:///{plant.folder}/store.db"}
    assert start_program("backup", copy, environment=store).wait() == 0
    plant.publish(5)
    plant.until_counted()
    running = start_program("restore", copy, "--force", environment=store)
    assert running.wait() == 1
    assert "stop the service first" in running.log()
    assert plant.program.stop() == 0
    assert start_program("restore", copy, environment=store).wait() == 1
    assert start_program("restore", copy, "--force", environment=store).wait() == 0
    plant.start()
    plant.publish(1)
    plant.until_counted()
    assert plant.left()["TOTAL"] == plant.books.left()["TOTAL"]
    assert plant.stations()["DELTA"]["uncertain_since"] is not None, (
        "what it counted since is gone, and shown"
    )


def test_a_store_of_a_newer_program_is_left_alone(start_plant: StartPlant) -> None:
    plant = start_plant()
    assert plant.program.stop() == 0
    with sqlite3.connect(plant.folder / "store.db") as store:
        store.execute("UPDATE alembic_version SET version_num = 'of-tomorrow'")
    store.close()
    plant.program.start()
    assert plant.program.wait() == 1
    assert "a newer version wrote it" in plant.program.log()


@pytest.mark.parametrize("protocol", [5, 3])
def test_through_many_restarts_of_the_broker_nothing_is_lost(start_plant: StartPlant, protocol: int) -> None:
    plant = start_plant(protocol=protocol)
    for _ in range(4):
        plant.publish(5)
        plant.broker.restart()
    plant.publish(5)
    plant.must_agree()


def test_a_wrong_password_is_told_as_the_reason_and_the_right_one_works_without_a_restart(
    start_plant: StartPlant, tmp_path: Path
) -> None:
    plant = start_plant()
    secrets = tmp_path / "secrets"
    subprocess.run(["mosquitto_passwd", "-b", "-c", secrets, "someone", "else"], check=True)
    config = plant.broker.folder / "mosquitto.conf"
    allowed = config.read_text()
    config.write_text(
        allowed.replace("allow_anonymous true", f"allow_anonymous false\npassword_file {secrets}")
    )
    plant.broker.restart()
    until_not_ready(plant, "refused us")
    config.write_text(allowed)
    plant.broker.restart()
    plant.program.wait_ready(plant.url)
    plant.publish(3)
    plant.must_agree()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() != 0:
        pytest.fail("this test mounts a small disk and must run as root")
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", disk], check=True)
    yield disk
    subprocess.run(["umount", "-l", disk], check=True)


def fill_up(filler: Path) -> None:
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 4096)


def test_a_full_disk_pauses_acknowledges_nothing_says_so_and_goes_on_when_there_is_space(
    start_plant: StartPlant, small_disk: Path
) -> None:
    plant = start_plant(f"sqlite:///{small_disk}/store.db")
    filler = small_disk / "filler"
    fill_up(filler)
    plant.publish(10)
    until_not_ready(plant, "store: ")
    plant.program.kill()
    filler.unlink()
    plant.start()
    plant.must_agree()
    fill_up(filler)
    plant.publish(10)
    until_not_ready(plant, "store: ")
    filler.unlink()
    plant.program.wait_ready(plant.url)
    plant.must_agree()


@pytest.fixture
def wire() -> Iterator[tuple[Proxy, str]]:
    """A wire to a PostgreSQL store, and the store's URL at our end of it."""
    server = shared_postgres()
    name = server.create()
    url = make_url(server.url(name))
    assert url.host is not None
    proxy = Proxy((url.host, url.port or 5432))
    upgrade(server.url(name))
    yield proxy, url.set(host="127.0.0.1", port=proxy.port).render_as_string(hide_password=False)
    proxy.close()
    server.drop(name)


def test_commits_whose_answer_is_lost_and_connections_that_are_cut_are_counted_once(
    start_plant: StartPlant, wire: tuple[Proxy, str]
) -> None:
    proxy, url = wire
    plant = start_plant(url)
    for _ in range(3):
        proxy.lose_answers = 1
        plant.publish(4)
        eventually(lambda: proxy.lose_answers == 0)
        plant.publish(4)
        proxy.cut()
        plant.publish(4)
    plant.must_agree()
    assert proxy.lost == 3


def test_a_database_that_swallows_everything_ends_the_process_and_the_next_one_loses_nothing(
    start_plant: StartPlant, wire: tuple[Proxy, str]
) -> None:
    """Such a peer still answers at the lowest level, so no timeout of the connection ever fires."""
    proxy, url = wire
    plant = start_plant(url)
    plant.program.stop()
    plant.start(stuck_after=IMPATIENT)
    proxy.silent = True
    plant.publish(4)
    assert plant.program.wait(60) == pulse.EXIT_CODE
    proxy.silent = False
    proxy.cut()
    plant.start()
    plant.must_agree()


def test_a_stop_with_work_waiting_and_a_stream_open_is_in_time_and_loses_nothing(
    start_plant: StartPlant,
) -> None:
    plant = start_plant()
    with httpx.stream("GET", f"{plant.url}/api/v1/stream", timeout=10, trust_env=False) as stream:
        assert stream.status_code == httpx.codes.OK
        plant.publish(30)
        assert plant.program.stop(timeout=10) == 0
    plant.start()
    plant.must_agree()


def test_a_program_that_was_paused_goes_on_and_is_not_taken_for_stuck(start_plant: StartPlant) -> None:
    plant = start_plant()
    plant.program.signal(signal.SIGSTOP)
    plant.publish(10)
    plant.program.signal(signal.SIGCONT)
    plant.must_agree()
    assert json.loads(plant.program.log().splitlines()[0])["action"] == "started"
    assert '"stuck"' not in plant.program.log()
