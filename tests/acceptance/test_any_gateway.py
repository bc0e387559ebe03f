"""Gateways of all formats on one broker, as the simulator speaks them; one program that hears them all."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from threading import Event, Thread
from typing import Any

import httpx

from simulators.dialects import SPEAKERS
from simulators.plan import GatewayPlan, StationPlan
from simulators.publisher import Publisher, open_publisher
from simulators.scenario import Scenario, load_scenario, shipped
from simulators.uplink import Broker
from tests.integration.test_five_formats import FORMATS
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import StartProgram
from tests.support.said_in import hear, shift_of, without
from tests.support.wait import eventually

HOURS, SPEED = 0.4, 240.0
FOREIGN = [speak for speak in SPEAKERS if speak != "native"]
Books = dict[tuple[str, str], int | None]


def test_every_format_is_booked_alike_while_all_are_spoken_at_once(
    broker: Mosquitto, start_program: StartProgram
):
    """Against the same shift in our own format: what was declared minus what was counted."""
    web = free_port()
    sources = "\n".join(SPEAKERS[speak].source.replace("ROOT", speak) for speak in FOREIGN)
    config = f'[mqtt]\nurl = "{broker.url}"\n[web]\nport = {web}\n{sources}'
    program = start_program("run", config=config)
    program.wait_ready(f"http://127.0.0.1:{web}")
    publishers = {speak: publisher(broker, speak) for speak in FOREIGN}
    lines = [
        Thread(target=each.run, args=(Event(),), kwargs={"hours": HOURS}) for each in publishers.values()
    ]
    for line in lines:
        line.start()
    for line in lines:
        line.join(60)
    assert [each.unacknowledged for each in publishers.values()] == [0] * len(FOREIGN)

    with httpx.Client(base_url=f"http://127.0.0.1:{web}/api/v1", trust_env=False) as api:
        for speak in FOREIGN:
            expected = booked(speak)
            eventually(
                partial(is_shown, api, speak, expected), message=partial(differing, api, speak, expected)
            )
        assert api.get("/refused").json() == []
    assert program.stop() == 0


def publisher(broker: Mosquitto, speak: str) -> Publisher:
    return open_publisher(plant(speak), Broker.of(broker.url), speed=SPEED, root=speak, speak=speak)


def plant(speak: str) -> Scenario:
    """A line that bears the format's name. Where lamps are only looked at, in whole seconds of this world's
    clock, nothing runs out: on a line this fast they would be seen too late."""
    scenario = load_scenario(shipped()["demo"]).with_line(speak)
    (line,) = scenario.lines
    if FORMATS[speak].looks:
        line = replace(line, stations=tuple(plentiful(each) for each in line.stations))
    return replace(scenario, lines=(line,), gateways=GatewayPlan())


def plentiful(station: StationPlan) -> StationPlan:
    return replace(station, slots=tuple(replace(each, first=9000, low_at=0) for each in station.slots))


def booked(speak: str) -> Books:
    scenario = plant(speak)
    shift = without(shift_of(scenario, scenario.seed, HOURS), FORMATS[speak].lacks)
    book = hear(scenario, shift, "native", None, seed=scenario.seed).book
    return {(station, slot): left for (_, station, slot), left in book.items()}


def shown(api: httpx.Client, line: str) -> Books:
    answer = api.get(f"/lines/{line}/slots")
    slots: list[dict[str, Any]] = answer.json() if answer.is_success else []
    return {(each["station"], each["slot"]): each["remaining"]["book"] for each in slots}


def is_shown(api: httpx.Client, line: str, expected: Books) -> bool:
    return shown(api, line) == expected


def differing(api: httpx.Client, line: str, expected: Books) -> str:
    found = shown(api, line)
    others = [(slot, left, found.get(slot)) for slot, left in expected.items() if found.get(slot) != left]
    return f"{line}: {others}"
