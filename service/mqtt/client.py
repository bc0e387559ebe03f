"""The connection to the broker: one thread that owns the socket, reads only with room, acknowledges late.

Every paho call is made in this thread. An acknowledgement carries the connection's generation and is
dropped when that is over, because the broker gives the same message numbers out again. Deciding anything
about a message is for others."""

from __future__ import annotations

import contextlib
import random
import select
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service import crash
from service.mqtt.buffered import BufferedClient
from service.mqtt.host import Guest
from service.mqtt.subscription import Subscription
from service.mqtt.unsent import Unsent
from service.tls import certificate_reason

KEEPALIVE = 30
SESSION_EXPIRY = 30 * 24 * 3600
RECEIVE_MAXIMUM = 1000
LARGEST_PACKET = 2 * 1024 * 1024 + 4096
READS_A_TURN = 100
FIRST_WAIT, LONGEST_WAIT = 0.2, 5.0

Token = tuple[int, int]
"""(generation of the connection, message number): what it takes to acknowledge."""
Receive = Callable[[bytes, bytes, bool, Token], None]
Log = Callable[..., None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where the broker is and who we are to it. ``tls`` makes the context for one connection, so that
    renewed files count from the next one on; it raises ``ValueError``. ``None``: plain TCP. ``host_id``: the
    Sparkplug host application that we are there, if we are one."""

    host: str
    port: int
    client_id: str
    username: str | None = None
    password: str | None = None
    protocol: int = 5
    tls: Callable[[], ssl.SSLContext] | None = None
    host_id: str | None = None


class Connection:
    """Run ``run`` in a thread of its own; every other method is safe from any thread."""

    def __init__(
        self,
        broker: Broker,
        *,
        topics: Sequence[str],
        stale: Sequence[str] = (),
        receive: Receive,
        has_room: Callable[[], bool],
        log: Log,
        connected: Callable[[], None] = lambda: None,
        session_lost: Callable[[], None] = lambda: None,
        had_session: bool = False,
        keepalive: int = KEEPALIVE,
        beat: Callable[[], None] = lambda: None,
        may_connect: Callable[[], bool] = lambda: True,
        lasting: bool = True,
        presence: Guest | None = None,
        retained_anew: bool = False,
    ) -> None:
        """``connected`` is called when the subscription stands, ``session_lost`` when the broker has
        forgotten what it kept for us (``had_session``: an earlier life had one), ``beat`` each turn. While
        not ``may_connect`` no new connection is made: it would end that of another under our name.
        ``lasting``: the broker keeps for us what comes while we're away. ``presence``: what we owe it.
        ``stale`` and ``retained_anew`` are ``Subscription``'s."""
        self.broker = broker
        self.ready = False
        self.ready_since: float | None = None
        self.trouble: str | None = "not connected yet"
        self._presence = presence or Guest()
        self._subscription = Subscription([*topics, *self._presence.topics], stale, retained_anew)
        self._receive = receive
        self._has_room = has_room
        self._log = log
        self._connected = connected
        self._session_lost = session_lost
        self._beat = beat
        self._may_connect = may_connect
        self._lasting = lasting
        self._greeted = False
        self._had_session = had_session
        self._keepalive = keepalive
        self._generation = 0
        self._lost = threading.Event()
        self._stop = threading.Event()
        self._silent = False
        self._todo: deque[tuple[str, Any]] = deque()
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._client = self._make_client()
        self._unsent = Unsent(self._client)

    def acknowledge(self, tokens: Iterable[Token]) -> None:
        self._todo.append(("ack", list(tokens)))
        self._wake()

    def publish(self, messages: Iterable[tuple[str, bytes, bool]], *, qos: int = 1) -> None:
        """Send (topic, payload, retain) while connected; what is stale by then isn't kept, and of what is
        retained and has to wait only the newest."""
        self._todo.append(("publish", [(*each, qos) for each in messages]))
        self._wake()

    def stop(self, *, silently: bool = False) -> None:
        """``silently``: what waits to be acknowledged or published is dropped."""
        self._silent = silently
        self._stop.set()
        self._wake()

    def run(self) -> None:
        wait = FIRST_WAIT
        try:
            while not self._stop.is_set():
                self._beat()
                if self._connect():
                    wait = FIRST_WAIT if self._serve() else wait
                self._down()
                # Full jitter: many instances that lost one broker don't return in one wave.
                self._pause(random.uniform(FIRST_WAIT / 2, wait))  # noqa: S311
                wait = min(wait * 2, LONGEST_WAIT)
        finally:
            self._wake_read.close()
            self._wake_write.close()

    def _pause(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0 and not self._stop.wait(min(left, 1.0)):
            self._beat()

    def _make_client(self) -> BufferedClient:
        five = self.broker.protocol == 5
        client = BufferedClient(
            CallbackAPIVersion.VERSION2,
            client_id=self.broker.client_id,
            protocol=paho.MQTTv5 if five else paho.MQTTv311,
            manual_ack=True,
            clean_session=None if five else not self._lasting,
        )
        if self.broker.username is not None:
            client.username_pw_set(self.broker.username, self.broker.password)
        client.max_inflight_messages_set(100)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        # With this set, packets are written by our loop, not one by one by whoever queues them.
        client.on_socket_register_write = lambda *_: None
        return client

    def _connect(self) -> bool:
        self._lost.clear()
        self._greeted = False
        if not self._may_connect():
            self._in_trouble("not connecting: it isn't sure that this instance is still in charge")
            return False
        try:
            if self.broker.tls is not None:
                self._client.secure(self.broker.tls())
            self._presence.will(self._client)
            self._client.connect(self.broker.host, self.broker.port, self._keepalive, **self._session())
        except (OSError, ValueError) as error:
            said = certificate_reason(error) if isinstance(error, ssl.SSLCertVerificationError) else error
            self._in_trouble(f"can't reach the broker: {said}")
            return False
        return True

    def _session(self) -> dict[str, Any]:
        if self.broker.protocol != 5:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY if self._lasting else 0
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.MaximumPacketSize = LARGEST_PACKET
        return {"clean_start": not self._lasting, "properties": properties}

    def _serve(self) -> bool:
        """Turn until the connection is lost or we stop; whether it ever was subscribed."""
        was_ready = False
        misc_at = pinged_at = 0.0
        while not self._stop.is_set() and not self._lost.is_set():
            self._beat()
            was_ready = was_ready or self.ready
            now = time.monotonic()
            # The broker's greeting is read in any case: until then it sends nothing else.
            room = self._has_room() or not self._greeted
            self._turn(room)
            self._do_todo()
            if room and now - misc_at >= 1.0:
                misc_at = pinged_at = now
                if self._client.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
            elif not room and now - pinged_at >= self._keepalive / 3:
                # Nothing is read, but the broker mustn't take us for dead.
                pinged_at = now
                self._client.ping_unasked()
        if self._stop.is_set():
            self._say_goodbye()
        return was_ready

    def _turn(self, room: bool) -> None:
        sock = self._client.buffered
        if sock is None:
            self._lost.set()
            return
        reads: list[Any] = [self._wake_read, sock] if room else [self._wake_read]
        writes: list[Any] = [sock] if sock.unsent else []
        more = room and sock.held
        timeout = 0.0 if more or self._todo else 0.5 if room else 0.01
        readable, _, _ = select.select(reads, writes, [], timeout)
        if self._wake_read in readable:
            self._drain_wakes()
        if more or sock in readable:
            self._client.read(READS_A_TURN if self._greeted else 1)

    def _do_todo(self) -> None:
        if self._silent:
            self._todo.clear()
        while self._todo:
            what, items = self._todo.popleft()
            if what == "ack":
                for generation, number in items:
                    if generation == self._generation and number:
                        self._client.ack(number, 1)
                        crash.point("mid_ack_batch")
            elif self.ready:
                self._unsent.add(items)
        self._unsent.send()
        self._write()

    def _write(self) -> None:
        if self._client.want_write():
            self._client.loop_write()
        if (sock := self._client.buffered) is None:
            return
        try:
            sock.flush()
        except OSError as error:
            self._in_trouble(f"the connection to the broker was lost: {error}")
            self._lost.set()

    def _say_goodbye(self) -> None:
        self._do_todo()
        self._finish(self._presence.leave(self._client))
        self._client.disconnect()
        self._finish(lambda: False)

    def _finish(self, done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 1.0
        while self._client.buffered is not None and not done() and time.monotonic() < deadline:
            self._write()
            self._turn(room=True)

    def _down(self) -> None:
        self._generation += 1
        if self.ready:
            self._in_trouble(self.trouble or "the connection to the broker was lost")
        self.ready = False
        self.ready_since = None
        self._unsent.forget()

    def _in_trouble(self, what: str) -> None:
        if what != self.trouble:
            self._log("broker_trouble", reason=what)
        self.trouble = what

    def _on_connect(self, client: paho.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._in_trouble(f"the broker refused us: {reason}")
            self._lost.set()
            return
        self._generation += 1
        self._greeted = True
        self._log("broker_connected", session_present=bool(flags.session_present))
        if self._lasting and self._had_session and not flags.session_present:
            self._log("broker_session_lost", reason="the broker no longer knows us: what it kept is gone")
            self._session_lost()
        self._subscription.ask(client, protocol=self.broker.protocol)

    def _on_subscribe(self, client: Any, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        refused = self._subscription.refused(reasons)
        if refused is not None:
            self._in_trouble(refused)
            self._lost.set()
            return
        self._presence.enter(client)
        self.trouble = None
        self.ready = True
        self.ready_since = time.monotonic()
        self._had_session = True
        self._connected()

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        # After a refusal that is the reason, not the end of the connection that follows.
        if not self._stop.is_set() and not self._lost.is_set():
            self._in_trouble(f"the connection to the broker was lost: {reason}")
        self._lost.set()

    def _on_message(self, client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self._client.took()
        token = (self._generation, message.mid if message.qos else 0)
        crash.point("rx_before_queue")
        # The raw topic: paho's own decoding raises on topics that aren't UTF-8.
        topic, payload = message._topic, bytes(message.payload)  # noqa: SLF001
        if self._presence.watch(client, topic, payload):
            client.ack(message.mid, message.qos)
        else:
            self._receive(topic, payload, message.retain, token)
        crash.point("rx_after_queue")

    def _drain_wakes(self) -> None:
        try:
            while self._wake_read.recv(4096):
                pass
        except BlockingIOError:
            pass

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_write.send(b"\0")
