"""Gateways at two brokers, each with its own account, against the real program: what befalls one doesn't
befall the other, and nothing is lost or counted twice. They speak through ``mosquitto_pub``."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.support.mosquitto import Mosquitto, StartBroker
from tests.support.ports import free_port
from tests.support.processes import Program, StartProgram
from tests.support.wait import eventually

Json = dict[str, Any]


class Uplink:
    """Whoever may speak at one broker, below one root."""

    def __init__(self, broker: Mosquitto, user: str, root: str) -> None:
        self.broker, self.user, self.root = broker, user, root

    @property
    def password(self) -> str:
        return f"pw-{self.user}"

    def say(self, topic: str, *payloads: Json) -> None:
        """One after the other; returns when the broker has them all."""
        where = ["-h", self.broker.host, "-p", str(self.broker.port), "-t", f"{self.root}/{topic}"]
        subprocess.run(
            ["mosquitto_pub", "-q", "1", "-u", self.user, "-P", self.password, *where, "-l"],
            input="".join(json.dumps(each) + "\n" for each in payloads),
            text=True,
            check=True,
            timeout=30,
        )

    @contextmanager
    def listening(self, folder: Path) -> Iterator[Callable[[], dict[str, Json]]]:
        """Gives what was heard of ours there so far, the last of each topic."""
        where = ["-h", self.broker.host, "-p", str(self.broker.port), "-t", "earlybell/#", "-v"]
        command = ["mosquitto_sub", "-q", "1", "-u", self.user, "-P", self.password, *where]
        path = folder / f"heard-by-{self.user}"
        with path.open("wb") as output, subprocess.Popen(command, stdout=output) as listener:

            def heard() -> dict[str, Json]:
                lines = (line.split(" ", 1) for line in path.read_text().split("\n")[:-1])
                return {topic: json.loads(payload) for topic, payload in lines}

            try:
                yield heard
            finally:
                listener.terminate()

    def load(self, place: str, quantity: int) -> None:
        self.say(
            f"{place}/supply", {"id": f"{place} load", "slot": "T2", "change": "loaded", "quantity": quantity}
        )


def count(seq: int, placed: int, *, at: datetime | None = None, **more: Any) -> Json:
    moment = {} if at is None else {"at": at.isoformat()}
    slots = {"T2": {"placed": placed, "lost": 0}}
    return moment | {"session": "s1", "seq": seq, "panels": placed, "slots": slots} | more


class Plant:
    """The program between two brokers; ``main`` is that of ``[mqtt]``, ``north`` a source."""

    def __init__(self, main: Uplink, north: Uplink, start_program: StartProgram, *, password: str) -> None:
        self.main, self.north = main, north
        self.url = f"http://127.0.0.1:{(port := free_port())}"
        self.program: Program = start_program(
            "run",
            config=f"""
[mqtt]
url = "{main.broker.url}"
username = "{main.user}"
password = "{main.password}"
[[source]]
name = "north"
format = "native"
root = "{north.root}"
url = "{north.broker.url}"
username = "{north.user}"
password = "{password}"
[web]
port = {port}
""",
        )

    def get(self, path: str) -> Any:
        answer = httpx.get(f"{self.url}/api/v1{path}", trust_env=False)
        return [] if answer.status_code == httpx.codes.NOT_FOUND else answer.raise_for_status().json()

    def left(self, place: str) -> int | None:
        """Of slot T2 by the books."""
        line, station = place.split("/")
        slots = (each for each in self.get(f"/lines/{line}/slots") if each["station"] == station)
        slot = next(slots, None)
        return slot["remaining"]["book"] if slot and slot["remaining"] else None

    def until_left(self, place: str, left: int) -> None:
        eventually(
            lambda: self.left(place) == left,
            timeout=20,
            message=lambda: f"{place} has {self.left(place)}, not {left}\n{self.program.tail()}",
            ignoring=(),
        )

    def station(self, place: str) -> Json:
        name, station = place.split("/")
        line = next(each for each in self.get("/lines") if each["line"] == name)
        found: Json = next(each for each in line["stations"] if each["station"] == station)
        return found

    def reasons(self) -> list[str]:
        """Why it isn't ready; none: it is."""
        answer = httpx.get(f"{self.url}/readyz", trust_env=False)
        reasons: list[str] = answer.json()["reasons"]
        assert (answer.status_code == httpx.codes.OK) is (reasons == [])
        return reasons

    def until_not_ready(self) -> str:
        """The one reason why."""

        def reason() -> str | None:
            reasons = self.reasons()
            return reasons[0] if len(reasons) == 1 else None

        found = eventually(reason, timeout=20, message="it is ready", ignoring=(httpx.TransportError,))
        assert found
        return found


StartPlant = Callable[..., Plant]


@pytest.fixture
def start_plant(start_broker: StartBroker, start_program: StartProgram, tmp_path: Path) -> StartPlant:
    def uplink(user: str, root: str) -> Uplink:
        accounts = tmp_path / f"accounts of {user}".replace(" ", "-")
        accounts.touch(mode=0o600)
        subprocess.run(
            ["mosquitto_passwd", "-b", str(accounts), user, f"pw-{user}"], check=True, capture_output=True
        )
        return Uplink(start_broker(allow_anonymous="false", password_file=accounts), user, root)

    def start(password: str = "pw-hall-north") -> Plant:
        return Plant(
            uplink("hall-main", "floor"), uplink("hall-north", "north"), start_program, password=password
        )

    return start


@pytest.fixture
def plant(start_plant: StartPlant) -> Plant:
    """Ready, with a supply of 1000 and a count of 0 at L1/P1 (main) and at L2/P1 (north)."""
    plant = start_plant()
    plant.program.wait_ready(plant.url)
    for uplink, place in ((plant.main, "L1/P1"), (plant.north, "L2/P1")):
        uplink.load(place, 1000)
        uplink.say(f"{place}/count", count(1, 0))
        plant.until_left(place, 1000)
    return plant


def test_a_broker_that_dies_is_named_and_the_other_goes_on(plant: Plant) -> None:
    plant.north.say("L2/P1/count", count(2, 10))
    plant.until_left("L2/P1", 990)
    plant.north.broker.kill()

    plant.main.say("L1/P1/count", count(2, 20))
    plant.until_left("L1/P1", 980)
    assert plant.until_not_ready().startswith("source north: ")

    plant.north.broker.start()
    eventually(lambda: plant.reasons() == [], timeout=20, message="the source isn't heard again", ignoring=())
    plant.north.say("L2/P1/count", count(9, 70))
    plant.until_left("L2/P1", 930)
    plant.main.broker.kill()
    plant.north.say("L2/P1/count", count(10, 80))
    plant.until_left("L2/P1", 920)
    assert plant.until_not_ready().startswith("broker: ")
    assert plant.get("/refused") == []


def test_what_both_brokers_kept_while_we_were_dead_is_counted_once(plant: Plant) -> None:
    """Differences don't come again: each that is lost or heard twice shows."""
    plant.program.kill()
    plant.main.say("L1/P1/count", *(count(seq, 3, counts="delta", panels=3) for seq in range(2, 52)))
    plant.north.say("L2/P1/count", *(count(seq, 7, counts="delta", panels=7) for seq in range(2, 52)))

    plant.program.start()
    plant.program.wait_ready(plant.url)

    plant.until_left("L1/P1", 1000 - 50 * 3)
    plant.until_left("L2/P1", 1000 - 50 * 7)
    assert plant.station("L1/P1")["uncertain_since"] is plant.station("L2/P1")["uncertain_since"] is None


def test_gateways_hear_at_their_own_broker_what_is_stored_and_what_is_missing(
    plant: Plant, tmp_path: Path
) -> None:
    stored, missing = "earlybell/L2/P1/received", "earlybell/L2/P1/resend"
    with plant.north.listening(tmp_path) as north, plant.main.listening(tmp_path) as main:
        plant.main.say("L1/P1/count", count(2, 20))
        plant.north.say("L2/P1/count", *(count(seq, 5, counts="delta", panels=5) for seq in (2, 5)))
        eventually(lambda: {stored, missing} <= north().keys(), timeout=20, message=lambda: f"only {north()}")
        eventually(lambda: {stored, missing} <= main().keys(), message=lambda: f"only {main()}")
        assert north()[missing] == main()[missing] == {"session": "s1", "from": 3, "to": 4}

        plant.north.say("L2/P1/count", *(count(seq, 5, counts="delta", panels=5) for seq in (3, 4)))
        whole = {"session": "s1", "seq": 5}
        eventually(lambda: north()[stored] == main()[stored] == whole, message=lambda: f"only {north()}")
        assert north().keys() == {stored, missing}, "nothing of the other's, and nothing for screens"
    plant.until_left("L2/P1", 980)


def test_what_is_stored_is_said_again_where_a_broker_was_away(plant: Plant, tmp_path: Path) -> None:
    stored = "earlybell/L2/P1/received"
    plant.north.say("L2/P1/count", count(2, 10))
    plant.until_left("L2/P1", 990)
    with plant.main.listening(tmp_path) as main:
        eventually(lambda: main().get(stored) == {"session": "s1", "seq": 2}, message="it isn't said")
    plant.north.broker.kill()
    (plant.north.broker.folder / "mosquitto.db").unlink(missing_ok=True)
    plant.north.broker.start()

    with plant.north.listening(tmp_path) as north:
        eventually(
            lambda: north() == {stored: {"session": "s1", "seq": 2}},
            timeout=20,
            message="it isn't said again",
        )


def test_a_second_source_that_counts_a_station_is_refused_and_changes_nothing(plant: Plant) -> None:
    plant.north.say("L1/P1/count", count(2, 400))
    plant.main.say("L1/P1/count", count(2, 20))
    plant.main.say("L2/P1/count", count(2, 400))
    plant.north.say("L2/P1/count", count(2, 30))

    plant.until_left("L1/P1", 980)
    plant.until_left("L2/P1", 970)
    refused = eventually(lambda: found if len(found := plant.get("/refused")) == 2 else None)
    assert {each["topic"]: each["reason"] for each in refused or []} == {
        "north/L1/P1/count": "L1/P1 is counted by source 'mqtt': two would count twice",
        "floor/L2/P1/count": "L2/P1 is counted by source 'north': two would count twice",
    }


def test_a_wrong_clock_a_repeat_and_a_restart_of_one_gateway_stay_its_own(plant: Plant) -> None:
    """By the contract: an `at` more than five minutes ahead isn't believed and flags the clock; a number
    counted already is a repeat; a new session starts from zero; one that was replaced never comes back."""
    ahead = datetime.now(UTC) + timedelta(hours=2)
    plant.north.say("L2/P1/count", *(count(seq, 10 * (seq - 1), at=ahead) for seq in (2, 3, 2, 3)))
    plant.main.say("L1/P1/count", count(2, 5, at=datetime.now(UTC)))
    plant.until_left("L2/P1", 980)
    plant.until_left("L1/P1", 995)
    assert plant.station("L2/P1")["clock_flagged"] is True
    assert plant.station("L1/P1")["clock_flagged"] is False

    plant.north.say("L2/P1/count", count(1, 4, session="s2"), count(4, 30), count(2, 6, session="s2"))

    plant.until_left("L2/P1", 1000 - 20 - 6)
    counted = plant.station("L2/P1")
    assert (counted["session"], counted["seq"]) == ("s2", 2)
    assert plant.get("/refused") == []


def test_a_wrong_password_at_one_broker_is_named_and_the_other_counts(start_plant: StartPlant) -> None:
    plant = start_plant(password="mistyped")

    reason = eventually(
        lambda: found if "uthori" in (found := plant.until_not_ready()) else "", message="not refused"
    )
    plant.main.load("L1/P1", 1000)
    plant.main.say("L1/P1/count", count(1, 0), count(2, 40))

    assert reason.startswith("source north: ")
    assert "mistyped" not in reason
    plant.until_left("L1/P1", 960)
