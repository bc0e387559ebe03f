"""A plant that keeps its own books: every message is in a file, on the disk, before it is published.

Two stations, one that sends totals and one that sends differences (which nothing heals that is lost or
counted twice), and a program that dies at named points. The books say what it must show in the end."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import httpx

from tests.support.factory import Gateway
from tests.support.forked import IMPATIENT, PATIENT, ForkedProgram
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.wait import eventually

LOADED = 1_000_000
Json = dict[str, Any]


class Books:
    """What was published, read back from the file that was written first."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("a+b")

    def write(self, topic: str, body: Json) -> None:
        self._file.write(json.dumps([topic, body]).encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def left(self) -> dict[str, int]:
        """What is left at each station, by plain arithmetic over all that was published."""
        left = {"TOTAL": LOADED, "DELTA": LOADED}
        self._file.seek(0)
        for line in self._file:
            topic, body = json.loads(line)
            if topic == "count/TOTAL":
                left["TOTAL"] = LOADED - body["slots"]["S"]["placed"]
            elif topic == "count/DELTA":
                left["DELTA"] -= body["slots"]["S"]["placed"]
            else:
                left["DELTA"] += body["quantity"]
        return left

    def close(self) -> None:
        self._file.close()


class Plant:
    """Broker, gateway, books and the program; ``die`` runs it until it has ended at a point."""

    def __init__(
        self, folder: Path, broker: Mosquitto, store: str, *, protocol: int = 5, extra: str = ""
    ) -> None:
        """``extra``: more sections of the configuration."""
        self.folder = folder
        self.broker = broker
        self.url = f"http://127.0.0.1:{(web := free_port())}"
        config = f'[mqtt]\nurl = "{broker.url}"\nprotocol = {protocol}\n'
        config += f'[store]\nurl = "{store}"\n[web]\nport = {web}\n{extra}'
        self.program = ForkedProgram(folder, config=config)
        # One client, because each makes a TLS context; a connection for each request, as the program dies.
        self.http = httpx.Client(
            base_url=self.url,
            timeout=10,
            trust_env=False,
            limits=httpx.Limits(max_keepalive_connections=0),
        )
        self.books = Books(folder / "books")
        self.gateway = Gateway(broker.port)
        self.seq = {"TOTAL": 0, "DELTA": 0}
        self.placed = 0

    def begin(self) -> None:
        """First contact, so that the broker keeps everything from then on; and full slots."""
        self.start()
        for station in self.seq:
            self._publish(station, 0)
            self.gateway.send(
                f"L/{station}/supply", id="first", slot="S", change="loaded", kind="tray", quantity=LOADED
            )
        self.until_counted()

    def start(self, crash_at: str = "", *, stuck_after: float = PATIENT, alone: bool = True) -> None:
        """``crash_at`` as the command line takes it; without one it returns when the program is ready, unless
        it isn't ``alone`` and may have to stand by."""
        self.program.crash_at, self.program.stuck_after = crash_at, stuck_after
        self.program.start()
        if alone and not crash_at:
            self.program.wait_ready(self.url)

    def listen(self, topics: str) -> None:
        eventually(self.gateway._client.is_connected, message="the gateway lost the broker", ignoring=())
        self.gateway.listen(topics)

    def publish(self, rounds: int = 8) -> None:
        for number in range(1, rounds + 1):
            for station in self.seq:
                self._publish(station, 1 + number % 3)

    def die(self, crash_at: str, *, within: float = 30.0) -> int:
        """Publish, start, and its exit code."""
        self.publish()
        self.start(crash_at, stuck_after=IMPATIENT if crash_at.endswith("hang") else PATIENT)
        return self.program.wait(within)

    def join(self, quantity: int, key: str, *, expect_answer: bool) -> None:
        """A person splices on more; without an answer they try the very same again later."""
        where = "/api/v1/lines/L/stations/DELTA/slots/S/supply"
        body = {"change": "joined", "quantity": quantity, "by": "Ines"}
        if not expect_answer:
            self.books.write("supply/DELTA", body)
        try:
            answer = self.http.post(where, json=body, headers={"Idempotency-Key": key})
        except httpx.TransportError:
            assert not expect_answer, "no answer"
            return
        assert not expect_answer or answer.status_code == httpx.codes.OK, answer.text

    def until_counted(self, within: float = 30.0) -> None:
        eventually(
            lambda: self.counted() == self.seq,
            timeout=within,
            message=lambda: f"counted {self.counted()} of {self.seq}\n{self.program.tail()}",
            ignoring=(),
        )

    def counted(self) -> dict[str, int]:
        return {
            each["station"]: each["counted"]["seq"] for each in self.slots() if each["counted"] is not None
        }

    def left(self) -> dict[str, int]:
        """What the program says is left at the stations that the books are kept of."""
        ours = [each for each in self.slots() if each["station"] in self.seq]
        return {each["station"]: each["remaining"]["book"] for each in ours}

    def slots(self) -> list[Json]:
        try:
            answer = self.http.get("/api/v1/lines/L/slots", timeout=5)
        except httpx.TransportError:
            return []
        return answer.json() if answer.status_code == httpx.codes.OK else []

    def stations(self) -> dict[str, Json]:
        (line,) = self.http.get("/api/v1/lines", timeout=5).json()
        return {each["station"]: each for each in line["stations"]}

    def readiness(self) -> tuple[int, str]:
        try:
            answer = self.http.get("/readyz")
        except httpx.TransportError:
            return 0, ""
        return answer.status_code, answer.text

    def metric(self, name: str) -> float:
        text = self.http.get("/metrics", timeout=5).text
        found = [line for line in text.splitlines() if line.startswith((name + " ", name + "{"))]
        return sum(float(line.split()[-1]) for line in found)

    def must_agree(self) -> None:
        """What the program shows is what the books say, and it knows of nothing missing."""
        self.until_counted()
        assert self.left() == self.books.left()
        assert {each["uncertain_since"] for each in self.stations().values()} == {None}

    def close(self) -> None:
        self.program.remove()
        self.http.close()
        self.gateway.close()
        self.books.close()

    def _publish(self, station: str, placed: int) -> None:
        body = self.message(station, placed)
        self.gateway.send(f"L/{station}/count", **body)

    def message(self, station: str, placed: int) -> Json:
        """The next message of a station, in the books from now on."""
        self.seq[station] += 1
        if station == "TOTAL":
            self.placed += placed
        body: Json = {
            "session": "s",
            "seq": self.seq[station],
            "slots": {"S": {"placed": self.placed if station == "TOTAL" else placed}},
        }
        if station == "DELTA":
            body["counts"] = "delta"
        self.books.write(f"count/{station}", body)
        return body
