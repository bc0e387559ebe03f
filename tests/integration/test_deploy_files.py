"""The files that are handed out work with the programs they are for."""

from __future__ import annotations

from pathlib import Path

from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto, StartBroker
from tests.support.wait import eventually

CONF = Path(__file__).parents[2] / "deploy" / "mosquitto.conf"
OWN = {"listener", "persistence_location"}


def settings() -> dict[str, object]:
    lines = [line.split(None, 1) for line in CONF.read_text().splitlines() if line and line[0] != "#"]
    return {key: value for key, value in lines if key not in OWN}


def test_the_broker_starts_with_the_file_and_takes_messages(start_broker: StartBroker) -> None:
    broker: Mosquitto = start_broker(**settings())
    gateway = Gateway(broker.port)
    gateway.listen("floor/#")
    gateway.send("L3/P1/link", state="online", retain=True)
    eventually(lambda: gateway.last("floor/L3/P1/link"), timeout=10, message="nothing came", ignoring=())
    gateway.close()
    assert "Error" not in broker.log()
