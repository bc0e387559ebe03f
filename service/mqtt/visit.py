"""What a broker grants us, asked under a client id of its own and leaving nothing behind.

It never speaks as the service does: a broker gives one client id one connection, so the service would be cut
off. Some brokers make the client id from the login; then what we ask for is the service's own session. That
is known by the session being there, nothing more is asked, and the session stays as it was.
"""

from __future__ import annotations

import contextlib
import re
import secrets
import socket
import ssl
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from service.domain.model import SECOND, Instant
from service.mqtt.client import LARGEST_PACKET, RECEIVE_MAXIMUM, SESSION_EXPIRY, Broker
from service.tls import certificate_reason

VERSION, DROPPED = "$SYS/broker/version", "$SYS/broker/publish/messages/dropped"
"""As mosquitto and others tell them; who doesn't, or doesn't let us read them, leaves it open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """``topics``: what the service would subscribe to; ``out``: where it would publish, if it does.
    ``seconds`` are for a connection, ``listens`` of them for what comes by itself."""

    broker: Broker
    topics: Sequence[str]
    out: str | None
    seconds: float
    listens: float


@dataclass(slots=True, kw_only=True)
class Granted:
    """What came of it. What couldn't be asked is ``None``; ``refused`` is why there was no connection.
    ``limits`` are the properties of the broker's greeting by their MQTT 5 names."""

    refused: str | None = None
    foreign_session: bool = False
    limits: Mapping[str, int] = field(default_factory=dict)
    subscriptions: Mapping[str, int | str] | None = None
    """By topic: the quality granted, or why not."""
    publishing: str | None = None
    """Why publishing was refused; empty: it was taken."""
    heard: int = 0
    said: Mapping[str, str] = field(default_factory=dict)
    certificate_until: Instant | None = None


def ask(asked: Asked) -> Granted:
    """Within some ``seconds`` for each of three connections. Never raises for a broker's fault;
    ``ValueError``: a file for TLS can't be used."""
    granted = Granted()
    name = f"{asked.broker.client_id[:40]}-check-{secrets.token_hex(4)}"
    with _Visit(asked, name, lasting=True) as visit:
        visit.greet(granted)
    if granted.refused is not None or granted.foreign_session:
        return granted
    with _Visit(asked, name, lasting=False) as visit:
        # A clean start under the same name also ends the session of the first visit, whatever became of it.
        visit.greet(granted)
        if granted.refused is None:
            visit.subscribe(granted)
            visit.publish(granted)
            visit.listen(granted)
    return granted


def shown_until(secured: ssl.SSLSocket | ssl.SSLObject) -> Instant | None:
    """When the certificate ends that the other side has shown."""
    end = (secured.getpeercert() or {}).get("notAfter")
    return None if end is None else int(ssl.cert_time_to_seconds(str(end))) * SECOND


class _Visit:
    """One connection, turned in this thread."""

    def __init__(self, asked: Asked, name: str, *, lasting: bool) -> None:
        self._asked = asked
        self._lasting = lasting
        self._five = asked.broker.protocol == 5
        self._until = time.monotonic() + asked.seconds
        self._greeting: tuple[Any, ReasonCode, Properties | None] | None = None
        self._answers: dict[int, Sequence[ReasonCode]] = {}
        self._heard: list[paho.MQTTMessage] = []
        self._over: str | None = None
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            protocol=paho.MQTTv5 if self._five else paho.MQTTv311,
            clean_session=None if self._five else not lasting,
            manual_ack=True,
        )
        if asked.broker.username is not None:
            client.username_pw_set(asked.broker.username, asked.broker.password)
        client.connect_timeout = asked.seconds
        client.on_connect = self._on_connect
        client.on_subscribe = lambda _c, _d, mid, reasons, _p: self._answers.update({mid: reasons})
        client.on_publish = lambda _c, _d, mid, reason, _p: self._answers.update({mid: [reason]})
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        self._client = client

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._greeting is not None and self._over is None:
            properties = None
            if self._five and not (self._lasting and self._greeting[0].session_present):
                properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = 0
            with contextlib.suppress(OSError, ValueError):
                self._client.disconnect(properties=properties)
                self._turn(lambda: self._over is not None, until=time.monotonic() + 0.5)

    def greet(self, granted: Granted) -> None:
        broker = self._asked.broker
        try:
            if broker.tls is not None:
                context = broker.tls()
                if self._lasting:
                    granted.certificate_until = self._shown_until(context)
                self._client.tls_set_context(context)
            self._client.connect(broker.host, broker.port, 30, **self._session())
        except ssl.SSLCertVerificationError as error:
            granted.refused = certificate_reason(error)
            return
        except OSError as error:
            granted.refused = f"can't be reached: {_words(error)}"
            return
        self._turn(lambda: self._greeting is not None)
        if self._greeting is None:
            granted.refused = f"doesn't greet us: {self._over or 'no answer'}"
            return
        flags, reason, properties = self._greeting
        if reason.is_failure:
            granted.refused = f"refused us: {reason}"
            return
        if self._lasting:
            granted.foreign_session = bool(flags.session_present)
            granted.limits = _numbers(properties)

    def subscribe(self, granted: Granted) -> None:
        topics = list(self._asked.topics)
        _, mid = self._client.subscribe([(topic, 1) for topic in topics])
        self._turn(lambda: mid in self._answers)
        answers = self._answers.get(mid or 0)
        if answers is None:
            granted.subscriptions = dict.fromkeys(topics, self._over or "no answer")
        else:
            pairs = zip(topics, answers, strict=False)
            granted.subscriptions = {
                topic: str(reason) if reason.is_failure else int(reason.value) for topic, reason in pairs
            }
        if self._over is None:
            self._client.subscribe([(VERSION, 0), (DROPPED, 0)])

    def publish(self, granted: Granted) -> None:
        """Only MQTT 5 says that a message was refused."""
        if self._asked.out is None or not self._five or self._over is not None:
            return
        mid = self._client.publish(f"{self._asked.out}/check", b"{}", qos=1, retain=False).mid
        self._turn(lambda: mid in self._answers)
        answers = self._answers.get(mid)
        if answers is not None:
            granted.publishing = str(answers[0]) if answers[0].is_failure else ""

    def listen(self, granted: Granted) -> None:
        until = min(self._until, time.monotonic() + self._asked.listens)
        self._turn(lambda: False, until=until)
        granted.said = {
            each.topic: each.payload.decode("utf-8", "replace")[:60]
            for each in self._heard
            if each.topic in (VERSION, DROPPED)
        }
        granted.heard = len(self._heard) - len(granted.said)

    def _shown_until(self, context: ssl.SSLContext) -> Instant | None:
        """When the broker's certificate ends. A handshake of its own, because paho leaves the socket of one
        that failed open."""
        broker = self._asked.broker
        with (
            socket.create_connection((broker.host, broker.port), timeout=self._asked.seconds) as plain,
            context.wrap_socket(plain, server_hostname=broker.host) as secured,
        ):
            return shown_until(secured)

    def _session(self) -> dict[str, Any]:
        if not self._five:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY if self._lasting else 0
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.MaximumPacketSize = LARGEST_PACKET
        return {"clean_start": not self._lasting, "properties": properties}

    def _turn(self, done: Callable[[], bool], *, until: float | None = None) -> None:
        until = self._until if until is None else until
        while not done() and self._over is None and time.monotonic() < until:
            self._client.loop(timeout=min(0.1, max(0.0, until - time.monotonic())))

    def _on_connect(self, _client: Any, _data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._greeting = flags, reason, properties

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        with contextlib.suppress(UnicodeDecodeError):
            _ = message.topic
            self._heard.append(message)

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._over = f"it closed the connection ({reason})"


def _numbers(properties: Properties | None) -> dict[str, int]:
    known = {} if properties is None else vars(properties)
    return {name: value for name, value in known.items() if isinstance(value, int) and name[:1].isupper()}


def _words(error: Exception) -> str:
    """Without any address: the library's own text names it."""
    if isinstance(error, TimeoutError):
        return "no answer"
    return re.sub(r"^\[[^]]*\]\s*", "", str(error)).partition(": ")[0] or type(error).__name__
