"""Two instances on one configuration: one is in charge, the other stands by, and whatever happens to the
first nothing is lost, doubled or told under two names."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import httpx
import pytest
from sqlalchemy import make_url

from service.store import upgrade
from tests.support.mosquitto import Mosquitto
from tests.support.pair import Pair
from tests.support.postgres import shared_postgres
from tests.support.receivers import HttpReceiver
from tests.support.tcp import Proxy
from tests.support.truth import LOADED, Plant
from tests.support.wait import eventually


def on_sqlite(folder: Path, broker: Mosquitto, stack: ExitStack) -> Pair:
    hook = stack.enter_context(HttpReceiver())
    return Pair(folder, broker, hook, store=f"sqlite:///{folder}/store.db")


def on_postgresql(folder: Path, broker: Mosquitto, stack: ExitStack) -> Pair:
    hook = stack.enter_context(HttpReceiver())
    server = shared_postgres()
    name = server.create()
    stack.callback(server.drop, name)
    store = server.url(name)
    upgrade(store)
    url = make_url(store)
    wires = tuple(stack.enter_context(Proxy(url.port or 5432)) for _ in "AB")
    first, second = (
        url.set(host="127.0.0.1", port=wire.port).render_as_string(hide_password=False) for wire in wires
    )
    return Pair(folder, broker, hook, store=store, stores=(first, second), wires=(wires[0], wires[1]))


STORES = {"sqlite": on_sqlite, "postgresql": on_postgresql}


def is_refilled(plant: Plant) -> bool:
    left = [each["remaining"] for each in plant.slots() if each["station"] == "BELL"]
    return [each and each["book"] for each in left] == [LOADED]


@pytest.fixture(params=list(STORES))
def pair(request: pytest.FixtureRequest, tmp_path: Path, broker: Mosquitto) -> Iterator[Pair]:
    with ExitStack() as stack:
        pair = STORES[request.param](tmp_path, broker, stack)
        stack.callback(pair.close)
        pair.begin()
        yield pair


def test_killed_paused_cut_off_or_stopped_the_other_takes_over_and_all_is_counted_once(pair: Pair) -> None:
    faults: list[Callable[[], object]] = [pair.kill, pair.stop, lambda: pause(pair)]
    if pair.store.startswith("postgresql"):
        faults.append(pair.cut)
    for number, fault in enumerate(faults):
        pair.ring()
        pair.publish(3)
        fault()
        pair.note_splice(1000)
        assert pair.splice(pair.other, 1000, f"key {number}").status_code == httpx.codes.OK
        assert pair.splice(pair.active, 1000, f"key {number}").status_code == httpx.codes.OK
    pair.must_agree()


def pause(pair: Pair) -> None:
    """Until it wasn't in the middle of a write, which on SQLite nobody can take over from."""
    assert any(pair.pause() is not None for _ in range(3))


@pytest.mark.parametrize("pair", ["sqlite"], indirect=True)
def test_one_that_stands_by_lives_says_why_it_is_not_ready_and_shows_all(pair: Pair) -> None:
    active, standby = pair.active, pair.other
    status, said = standby.readiness()
    assert status == httpx.codes.SERVICE_UNAVAILABLE
    assert "standing by: A is in charge until" in said
    assert httpx.get(f"{standby.url}/healthz", trust_env=False).status_code == httpx.codes.OK
    assert httpx.get(f"{standby.url}/", trust_env=False).status_code == httpx.codes.OK
    assert standby.metric("earlybell_in_charge") == 0
    assert active.metric("earlybell_in_charge") == 1
    with httpx.stream("GET", f"{standby.url}/api/v1/stream", timeout=20, trust_env=False) as stream:
        lines = stream.iter_lines()
        pair.publish(5)
        pair.ring()
        eventually(lambda: is_refilled(standby), message="the refill isn't shown")
        standby.until_counted()
        assert standby.slots() == active.slots()
        heard = {next(line for line in lines if line.startswith("event: ")) for _ in range(2)}
        assert heard <= {"event: forecast", "event: notice", "event: plan"}
    events = [httpx.get(f"{each.url}/api/v1/events", trust_env=False).text for each in (active, standby)]
    assert events[0].splitlines()[1:] == events[1].splitlines()[1:]
    tested = httpx.post(
        f"{standby.url}/api/v1/outlets/hook/test", json={"by": "Ada"}, timeout=20, trust_env=False
    )
    assert (tested.status_code, tested.json()["delivered"]) == (httpx.codes.OK, True)


@pytest.mark.parametrize("pair", ["sqlite"], indirect=True)
def test_what_people_do_at_the_one_that_stands_by_is_done_by_the_other_once(pair: Pair) -> None:
    standby = pair.other
    api = f"{standby.url}/api/v1"
    supply = f"{api}/lines/L/stations/DELTA/slots/S/supply"
    body = {"change": "counted", "quantity": 77, "by": "Ines"}
    answer = httpx.post(supply, json=body, trust_env=False)
    assert answer.status_code == httpx.codes.OK, answer.text
    assert answer.json()["remaining"]["book"] == 77
    assert httpx.post(supply, json={"change": "eaten"}, trust_env=False).status_code == 422

    pair.gateway.send("L/BELL/supply", id="few", slot="S", change="loaded", kind="tray", quantity=5)
    (notice,) = eventually(lambda: httpx.get(f"{api}/notices", trust_env=False).json())
    where = f"{api}/notices/{notice['id']}"
    taken = httpx.post(f"{where}/take", json={"by": "Ines"}, trust_env=False)
    assert (taken.status_code, taken.json()["taken_by"]) == (httpx.codes.OK, "Ines")
    second = httpx.post(f"{where}/take", json={"by": "Otto"}, trust_env=False)
    assert (second.status_code, second.json()["taken_by"]) == (httpx.codes.CONFLICT, "Ines")
    quiet = httpx.post(f"{where}/quiet", json={"by": "Ines", "panels": 2}, trust_env=False)
    assert quiet.json()["state"] == "quiet"
    closed = httpx.post(f"{where}/close", json={"by": "Ines", "reason": "seen"}, trust_env=False)
    assert closed.json()["closed_because"] == "person"
    missing = httpx.post(f"{api}/notices/none/take", json={"by": "Ines"}, trust_env=False)
    assert missing.status_code == httpx.codes.NOT_FOUND
    again = httpx.post(f"{api}/deliveries/1/again", json={"by": "Ines"}, trust_env=False)
    assert again.status_code == httpx.codes.CONFLICT, "it was sent, and only a dead one is sent again"


@pytest.mark.parametrize("pair", ["sqlite"], indirect=True)
def test_what_is_asked_while_nobody_is_in_charge_is_refused_in_time_and_done_once_later(pair: Pair) -> None:
    pair.active.program.signal(signal.SIGSTOP)
    pair.note_splice(500)
    refused = pair.splice(pair.other, 500, "same")
    assert refused.status_code == httpx.codes.SERVICE_UNAVAILABLE
    assert refused.headers["retry-after"]
    pair.active.program.signal(signal.SIGCONT)
    eventually(lambda: pair.splice(pair.other, 500, "same").status_code == httpx.codes.OK, timeout=20)
    pair.must_agree()


@pytest.mark.parametrize("pair", ["sqlite"], indirect=True)
def test_one_that_is_killed_takes_its_own_lease_back_at_once_and_the_other_goes_on_standing_by(
    pair: Pair,
) -> None:
    for _ in range(3):
        pair.active.program.kill()
        pair.publish(2)
        pair.active.start()
        assert pair.other.readiness()[0] == httpx.codes.SERVICE_UNAVAILABLE
    pair.must_agree()
    log = [json.loads(line) for line in pair.active.program.log().splitlines()]
    assert [each["term"] for each in log if each["action"] == "in_charge"] == [1, 2, 3, 4]
