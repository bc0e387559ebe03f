"""The whole program beside a real broker and real receivers, driven through its public face alone."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Sequence
from typing import Any

import httpx
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import Program, StartProgram
from tests.support.receivers import HttpReceiver, MailReceiver, Request
from tests.support.wait import eventually

Json = dict[str, Any]


class Gateway:
    """What a gateway does: publishes JSON with QoS 1 and waits until the broker has it; may listen too."""

    def __init__(
        self,
        port: int,
        protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5,
        *,
        login: tuple[str, str] | None = None,
    ) -> None:
        self.heard: dict[str, list[bytes]] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
        self._client.max_inflight_messages_set(500)
        if login is not None:
            self._client.username_pw_set(*login)
        self._subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = lambda _c, _d, message: self.heard.setdefault(message.topic, []).append(
            bytes(message.payload)
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, topic: str, *, retain: bool = False, **body: Any) -> None:
        self.send_raw(f"floor/{topic}", json.dumps(body).encode(), retain=retain)

    def send_raw(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        eventually(self._client.is_connected, timeout=10, message="the gateway lost the broker", ignoring=())
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10)

    def send_all(self, messages: Sequence[tuple[str, Json]]) -> None:
        """Many without waiting for each; returns when the broker has the last."""
        sent = [
            self._client.publish(f"floor/{topic}", json.dumps(body).encode(), qos=1)
            for topic, body in messages
        ]
        for each in sent:
            each.wait_for_publish(30)

    def listen(self, topics: str) -> None:
        self._subscribed.clear()
        self._client.subscribe(topics, qos=1)
        assert self._subscribed.wait(10)

    def last(self, topic: str) -> Any:
        heard = self.heard.get(topic)
        return json.loads(heard[-1]) if heard else None

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Factory:
    """One program with a webhook and a mail outlet, its broker and a gateway."""

    def __init__(
        self,
        start_program: StartProgram,
        broker: Mosquitto,
        hook: HttpReceiver,
        mail: MailReceiver,
        *,
        extra: str = "",
        site: str = "",
        store: str = "sqlite:///earlybell.db",
    ) -> None:
        self.broker, self.hook, self.mail = broker, hook, mail
        self.url = f"http://127.0.0.1:{(web := free_port())}"
        self.config = f"""
[site]
name = "Hollerbach"
timezone = "Europe/Vienna"
{site}
[mqtt]
url = "{broker.url}"
[store]
url = "{store}"
[web]
port = {web}
[[outlet]]
name = "hook"
type = "webhook"
url = "{hook.url}"
[[outlet]]
name = "mail"
type = "email"
to = "shift@hollerbach.example"
from = "bell@hollerbach.example"
smtp_url = "smtp://127.0.0.1:{mail.port}"
{extra}
"""
        self.program: Program = start_program("run", config=self.config)
        self.program.wait_ready(self.url)
        self.gateway = Gateway(broker.port)
        self.api = httpx.Client(base_url=f"{self.url}/api/v1", timeout=10.0, trust_env=False)

    def get(self, path: str, **query: Any) -> Any:
        return self.api.get(path, params=query).raise_for_status().json()

    def slot(self, line: str, slot: str) -> Json:
        answer = self.api.get(f"/lines/{line}/slots")
        found = [] if answer.status_code == httpx.codes.NOT_FOUND else answer.raise_for_status().json()
        return next((each for each in found if each["slot"] == slot), {})

    def until(self, condition: Callable[[], Any], message: str, timeout: float = 20.0) -> Any:
        return eventually(
            condition, timeout=timeout, message=lambda: f"{message}\n{self.program.tail()}", ignoring=()
        )

    def until_counted(self, line: str, slot: str, **counted: Any) -> Json:
        """The slot, once the count that went into it has these values."""
        found = self.until(
            lambda: (
                each
                if (each := self.slot(line, slot)).get("counted")
                and counted.items() <= each["counted"].items()
                else None
            ),
            f"{line} {slot} never counted {counted}",
        )
        assert isinstance(found, dict)
        return found

    def told(self) -> list[Json]:
        """The CloudEvents that the hook got, in order."""
        return [request.json for request in self.hook.received.all()]

    def wait_told(self, kind: str, level: str, within: float = 10.0) -> Json:
        def has(requests: Sequence[Request]) -> bool:
            return any(_is(request.json, kind, level) for request in requests)

        requests = self.hook.wait_for(has, within=within)
        return next(request.json for request in requests if _is(request.json, kind, level))

    def close(self) -> None:
        self.gateway.close()
        self.api.close()


def _is(event: Json, kind: str, level: str) -> bool:
    return bool(event["type"] == f"earlybell.notice.{kind}" and event["data"]["level"] == level)
