"""What is said to a broker in the plant's place is taken, or it is said that it isn't."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.mqtt.client import Broker
from service.mqtt.sender import RefusedError, Sender
from tests.support.mosquitto import Mosquitto, StartBroker


def say(broker: Mosquitto, topic: str) -> int:
    to = Broker(host=broker.host, port=broker.port, client_id="says")
    sender = Sender(to, trouble=lambda _: None)
    sender.start()
    try:
        sender.send(topic, b"{}", retain=False, going_on=lambda: True)
        return sender.finish(going_on=lambda: True)
    finally:
        sender.close()


def test_the_last_message_that_a_broker_refuses_is_told_too(
    start_broker: StartBroker, tmp_path: Path
) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic write allowed/#\n")
    broker = start_broker(acl_file=rules)
    assert say(broker, "allowed/L1/P1/count") == 0
    with pytest.raises(RefusedError, match="refused a message: Not authorized"):
        say(broker, "other/L1/P1/count")
