"""A small receiver of warnings: prints each in one line as it arrives and remembers it.

``POST /warnings`` takes CloudEvents (with a secret: only those signed with it), ``POST /chat`` takes
``{"text": …}``. A delivery that comes again under the same id is remembered as a repeat and not printed
again.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, TextIO

MOST_BYTES = 1 << 20
TOLERANCE = 300
"""Seconds a signature's timestamp may differ from our clock."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One delivery: the CloudEvent's type and the notice it carries."""

    id: str
    type: str
    notice: dict[str, Any]


def tell(delivery: Delivery, before: dict[str, Any] | None, now: str) -> str:
    """The line for a person: time, what it is, slot, part, panels to empty, message."""
    notice = delivery.notice
    place = " ".join(str(notice[key]) for key in ("station", "slot") if notice.get(key))
    word = _word(delivery, before)
    words = (
        now,
        f"{word:<7}",
        f"{place or str(notice.get('kind')):<7}",
        f"{notice.get('part') or '':<15}",
        f"{_panels(notice):<12}",
        f"by {notice.get('taken_by')}" if word == "taken" else str(notice.get("message", "")),
    )
    line = "  ".join(words)
    return "".join(each if each.isprintable() else " " for each in line).rstrip()


def _word(delivery: Delivery, before: dict[str, Any] | None) -> str:
    """What is new about it: its end, a worse level, or what somebody did with it."""
    notice = delivery.notice
    state, level = notice.get("state"), notice.get("level")
    if state == "closed" or delivery.type.endswith(".closed"):
        return "closed"
    if before is not None and before.get("level") == level and state != "open":
        return str(state)
    return str(level).upper()


def _panels(notice: dict[str, Any]) -> str:
    spread = notice.get("panels_to_empty")
    if notice.get("state") == "closed" or not isinstance(spread, dict):
        return ""
    low, high = spread.get("p05"), spread.get("p95")
    return f"{low} panels" if low == high else f"{low}–{high} panels"


class Sink:
    """``on_notice`` is called for each new delivery, in a thread of the server."""

    def __init__(
        self,
        *,
        port: int = 0,
        secret: str | None = None,
        out: TextIO,
        on_notice: Callable[[Delivery], None] = lambda delivery: None,
    ) -> None:
        self.warnings: list[Delivery] = []
        self.chats: list[str] = []
        self.repeats = 0
        self.unread = False
        """Whoever read what is printed has gone."""
        self._seen: set[str] = set()
        self._notices: dict[str, dict[str, Any]] = {}
        self._lock = threading.Lock()
        self._secret = base64.b64decode(secret.removeprefix("whsec_")) if secret else None
        self._out = out
        self._on_notice = on_notice
        self._server = _Server(("127.0.0.1", port), _handler(self))
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.05,), name="sink", daemon=True
        )

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def open_notice(self, line: str, station: str, slot: str) -> str | None:
        """The id of the slot's supply notice that is open, as far as we heard."""
        wanted = {"kind": "supply", "state": "open", "line": line, "station": station, "slot": slot}
        with self._lock:
            fits = (key for key, notice in self._notices.items() if wanted.items() <= notice.items())
            return next(fits, None)

    def receive_warning(self, headers: dict[str, str], body: bytes) -> int:
        """Take a delivery; the HTTP status to answer with."""
        if self._secret and not signed(self._secret, headers, body, time.time()):
            return 401
        try:
            event = json.loads(body)
            notice = event["data"]
            delivery = Delivery(headers.get("webhook-id") or str(event["id"]), str(event["type"]), notice)
            key = str(notice["id"])
        except (ValueError, KeyError, TypeError):
            return 400
        with self._lock:
            if delivery.id in self._seen:
                self.repeats += 1
                return 204
            self._seen.add(delivery.id)
            self.warnings.append(delivery)
            before = self._notices.get(key)
            self._notices[key] = notice
            self._print(tell(delivery, before, time.strftime("%H:%M:%S")))
        self._on_notice(delivery)
        return 204

    def _print(self, line: str) -> None:
        try:
            print(line, file=self._out, flush=True)
        except OSError:
            self.unread = True

    def receive_chat(self, body: bytes) -> int:
        try:
            text = json.loads(body)["text"]
        except (ValueError, KeyError, TypeError):
            return 400
        with self._lock:
            self.chats.append(str(text))
        return 204


def signed(secret: bytes, headers: dict[str, str], body: bytes, now: float) -> bool:
    """Whether a delivery carries a signature made with ``secret`` (Standard Webhooks 1.0: HMAC-SHA256 over
    id, timestamp and body)."""
    id_, sent = headers.get("webhook-id", ""), headers.get("webhook-timestamp", "")
    if not sent.isdecimal() or abs(now - int(sent)) > TOLERANCE:
        return False
    digest = hmac.new(secret, f"{id_}.{sent}.".encode() + body, hashlib.sha256).digest()
    expected = f"v1,{base64.b64encode(digest).decode()}"
    given = headers.get("webhook-signature", "").split(" ")
    return any(hmac.compare_digest(expected.encode(), each.encode()) for each in given)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False


def _handler(sink: Sink) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        timeout = 30

        def do_POST(self) -> None:
            length = self.headers.get("content-length", "")
            if not length.isdecimal() or int(length) > MOST_BYTES:
                self._answer(413 if length.isdecimal() else 411, close=True)
                return
            body = self.rfile.read(int(length))
            headers = {name.lower(): value for name, value in self.headers.items()}
            match self.path:
                case "/warnings":
                    self._answer(sink.receive_warning(headers, body))
                case "/chat":
                    self._answer(sink.receive_chat(body))
                case _:
                    self._answer(404)

        def _answer(self, status: int, *, close: bool = False) -> None:
            self.send_response(status)
            if status != 204:
                self.send_header("content-length", "0")
            if close:
                self.send_header("connection", "close")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            """Say nothing: what matters is printed as it is taken."""

    return Handler
