"""Everybody of one run: broker, store, wires between them, the program, the floor, people, receivers.

Starts and ends them; what is done to them in between is decided elsewhere."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from service import crash
from tests.support.mosquitto import Mosquitto, start_mosquitto
from tests.support.ports import free_port
from tests.support.processes import Program
from tests.support.tcp import Proxy
from tests.torture.gateway import Floor
from tests.torture.ledger import Ledger
from tests.torture.people import People
from tests.torture.postgres import MortalPostgres, mortal_postgres
from tests.torture.receivers import Receivers
from tests.torture.station import Station

SECRET = "whsec_" + "dG9ydHVyZS1jYW5hcnktbXVzdC1uZXZlci1iZS1sb2dnZWQ="
"""Stands in no log, or it is a leak."""
SLOTS = (("F01", "tape", 4), ("F02", "tape", 1), ("T1", "tray", 2))
"""Name, kind of supply, usage."""
KEPT = 500
"""Messages: minutes of a station."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a run is to do, all of it from one seed: for at least ``seconds`` and at least so many faults."""

    store: str = "sqlite"
    seed: int = 1
    seconds: float = 600.0
    kills: int = 100
    brokers: int = 10
    databases: int = 10
    outages: int = 6
    lines: int = 3
    stations: int = 2
    panels_a_second: float = 3.0
    first_panels: tuple[int, int] = (30, 400)
    """For how many the first supply of a slot lasts, from and below; ``panels``: each later one."""
    panels: tuple[int, int] = (300, 600)
    settle_within: float = 240.0
    ready_within: float = 90.0


@dataclass(slots=True, kw_only=True)
class Stage:
    plan: Plan
    folder: Path
    broker: Mosquitto
    postgres: MortalPostgres | None
    wires: dict[str, Proxy]
    """By who is at the client's end and what at the other: ``service-broker``, ``floor-broker``,
    ``service-store``."""
    receivers: Receivers
    ledger: Ledger
    floor: Floor
    people: People
    program: Program
    url: str

    def start(self, crash_at: str = "") -> None:
        self.program.environment = {**self.program.environment, crash.VARIABLE: crash_at}
        self.program.start()

    def get(self, path: str, **query: Any) -> Any:
        where = f"{self.url}/api/v1{path}"
        return httpx.get(where, params=query, timeout=30, trust_env=False).raise_for_status().json()


@contextlib.contextmanager
def stage(plan: Plan, folder: Path) -> Iterator[Stage]:
    """All of them, the program running and ready, every slot loaded; nothing is produced yet."""
    chance = random.Random(f"{plan.seed}/stage")
    with ExitStack() as stack:
        broker = start_mosquitto(folder)
        stack.callback(broker.remove)
        wires = {
            "service-broker": stack.enter_context(Proxy(broker.port)),
            "floor-broker": stack.enter_context(Proxy(broker.port)),
        }
        postgres, store = None, f"sqlite:///{folder}/store.db"
        if plan.store == "postgresql":
            postgres = stack.enter_context(mortal_postgres())
            wires["service-store"] = stack.enter_context(Proxy(postgres.port))
            store = _database(postgres, wires["service-store"], folder)
        receivers = Receivers(folder / "deliveries", random.Random(f"{plan.seed}/receivers"))
        stack.callback(receivers.close)
        ledger = Ledger(folder / "ledger")
        stack.callback(ledger.close)
        floor = Floor(
            wires["floor-broker"].port,
            _stations(plan, chance),
            ledger,
            random.Random(f"{plan.seed}/floor"),
            panels_a_second=plan.panels_a_second,
        )
        stack.callback(floor.close)
        web = free_port()
        url = f"http://127.0.0.1:{web}"
        people = People(url, floor, receivers, random.Random(f"{plan.seed}/people"), panels=plan.panels)
        stack.callback(people.close)
        config = _config(wires["service-broker"].port, store, web, receivers)
        program = Program(folder, "run", config=config)
        stack.callback(program.remove)
        made = Stage(
            plan=plan,
            folder=folder,
            broker=broker,
            postgres=postgres,
            wires=wires,
            receivers=receivers,
            ledger=ledger,
            floor=floor,
            people=people,
            program=program,
            url=url,
        )
        _begin(made, chance)
        yield made


def _begin(made: Stage, chance: random.Random) -> None:
    made.start()
    made.program.wait_ready(made.url, made.plan.ready_within)
    made.floor.open()
    made.floor.begin()
    loads = [
        (station.line, station.name, slot, kind, chance.randrange(*made.plan.first_panels) * usage)
        for station in made.floor.stations.values()
        for slot, kind, usage in SLOTS
    ]
    with ThreadPoolExecutor(max_workers=32) as pool:
        for job in [pool.submit(made.people.load, *load) for load in loads]:
            while not _has_ended(job):
                if not made.program.running:
                    made.people.patience_lost.set()
                    raise AssertionError(f"it ended before all was loaded\n{made.program.tail()}")


def _has_ended(job: Future[None]) -> bool:
    try:
        job.result(timeout=1.0)
    except TimeoutError:
        return False
    return True


def _stations(plan: Plan, chance: random.Random) -> list[Station]:
    """Every second one sends differences; of those every second one keeps more than it must."""
    return [
        Station(
            line=f"L{line}",
            name=f"P{number}",
            delta=number % 2 == 1,
            keeps=KEPT if line % 2 == 0 else 0,
            usage={slot: usage for slot, _, usage in SLOTS},
            chance=random.Random(chance.random()),
        )
        for line in range(plan.lines)
        for number in range(plan.stations)
    ]


def _database(postgres: MortalPostgres, wire: Proxy, folder: Path) -> str:
    name = postgres.server.create()
    store = postgres.server.url(name).replace(f":{postgres.port}/", f":{wire.port}/")
    upgrade = Program(folder, "upgrade-store", environment={"EARLYBELL_STORE__URL": store}).start()
    assert upgrade.wait(60) == 0, upgrade.tail()
    return store


def _config(broker: int, store: str, web: int, receivers: Receivers) -> str:
    return f"""
[site]
name = "Hollerbach"
[mqtt]
url = "mqtt://127.0.0.1:{broker}"
[store]
url = "{store}"
[web]
port = {web}
[[outlet]]
name = "hook"
type = "webhook"
url = "http://127.0.0.1:{receivers.hook_port}/hook"
secret = "{SECRET}"
[[outlet]]
name = "mail"
type = "email"
to = "shift@hollerbach.example"
from = "bell@hollerbach.example"
smtp_url = "smtp://127.0.0.1:{receivers.mail_port}"
most_in_ten_minutes = 600
[[route]]
outlets = ["hook"]
[[route]]
outlets = ["mail"]
tells = "calls"
"""
