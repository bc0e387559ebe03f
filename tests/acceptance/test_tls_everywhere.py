"""The whole program with TLS on every side: broker, page, webhook, chat and mail; and what it says where it
can't."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service.tls import client_context
from tests.integration.test_tls import secured, tls_broker
from tests.support.certificates import Authority, Pair
from tests.support.mosquitto import StartBroker
from tests.support.ports import free_port
from tests.support.processes import StartProgram
from tests.support.receivers import MailReceiver
from tests.support.wait import eventually


def say(authority: Authority, gateway: Pair, port: int, *messages: tuple[str, dict[str, object]]) -> None:
    """As a gateway with a certificate of its own does."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.tls_set_context(client_context(authority.ca_file, gateway.cert, gateway.key))
    client.connect("127.0.0.1", port)
    client.loop_start()
    for topic, body in messages:
        client.publish(topic, json.dumps(body), qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def test_a_warning_travels_over_tls_from_the_gateway_to_every_outlet(
    tmp_path: Path, start_broker: StartBroker, start_program: StartProgram
) -> None:
    authority = Authority(tmp_path)
    pair, ours, gateway = authority.sign(), authority.sign("earlybell"), authority.sign("gateway")
    broker = tls_broker(start_broker, authority, pair, require_certificate="true")
    web = free_port()
    url = f"https://127.0.0.1:{web}"
    with secured(pair) as hook, secured(pair) as chat, MailReceiver(tls=pair.server()) as mail:
        config = f"""
[mqtt]
url = "mqtts://127.0.0.1:{broker.port}"
ca_file = "{authority.ca_file}"
cert_file = "{ours.cert}"
key_file = "{ours.key}"
[web]
port = {web}
tls_cert = "{pair.cert}"
tls_key = "{pair.key}"
[[outlet]]
name = "hook"
type = "webhook"
url = "https://localhost:{hook.port}/"
ca_file = "{authority.ca_file}"
[[outlet]]
name = "chat"
type = "chat"
url = "https://127.0.0.1:{chat.port}/"
ca_file = "{authority.ca_file}"
[[outlet]]
name = "mail"
type = "email"
to = "a@h.example"
from = "b@h.example"
smtp_url = "smtp+starttls://127.0.0.1:{mail.port}"
ca_file = "{authority.ca_file}"
"""
        assert start_program("check", config=config).wait() == 0
        program = start_program("run", config=config)
        started = json.loads(program.wait_for_log("started"))
        assert started["web"] == url
        with httpx.Client(base_url=url, verify=client_context(authority.ca_file), trust_env=False) as client:
            eventually(
                lambda: client.get("/readyz").status_code == 200,
                timeout=20,
                message=program.tail,
                ignoring=(httpx.TransportError,),
            )
            assert client.get("/").headers["strict-transport-security"]
            shown = client.get("/metrics").text
        for name in ("web", "mqtt"):
            assert f'earlybell_certificate_expires_timestamp_seconds{{certificate="{name}"}} 1.' in shown
        say(
            authority,
            gateway,
            broker.port,
            ("floor/L1/P1/recipe", {"recipe": "r", "usage": {"T1": 1}}),
            (
                "floor/L1/P1/supply",
                {"slot": "T1", "change": "loaded", "kind": "tray", "quantity": 5, "id": "1"},
            ),
        )
        assert hook.wait_for(1)[0].json["data"]["slot"] == "T1"
        assert f"{url}/notice/" in chat.wait_for(1)[0].json["text"]
        (letter,) = mail.wait_for(1)
        assert letter.encrypted


@pytest.mark.parametrize("command", ["check", "run"])
def test_files_that_do_not_belong_together_are_told_at_the_start(
    tmp_path: Path, start_program: StartProgram, command: str
) -> None:
    authority = Authority(tmp_path)
    one, two = authority.sign(), authority.sign()
    config = f"""
[web]
port = {free_port()}
tls_cert = "{one.cert}"
tls_key = "{two.key}"
"""
    program = start_program(command, config=config)
    assert program.wait() == 1
    assert "certificate and key don't belong together" in program.log()
    assert "Traceback" not in program.log()
