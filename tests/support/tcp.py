"""A wire that can fail: a TCP proxy between two programs, told from outside what to do to what passes.

It forwards bytes and knows no protocol. ``up`` is from who connects to the server, ``down`` the way back.
What it is told holds for open connections and for new ones until ``heal``."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from dataclasses import dataclass, replace
from typing import Literal, Self

HOST = "127.0.0.1"
Way = Literal["up", "down"]
_PIECE = 65536
_RESET = struct.pack("ii", 1, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """What the wire does now. ``swallows``: a way on which bytes are taken and never passed on; ``delay``
    seconds before each piece, pieces of at most ``slice`` bytes; ``refuses``: nobody new gets through."""

    swallows: Way | None = None
    delay: float = 0.0
    slice: int = _PIECE
    refuses: bool = False


FAIR = Weather()


class Proxy:
    """Listens on ``port`` and passes on to ``target`` (a port of this host). Use it as a context manager."""

    def __init__(self, target: int) -> None:
        self.target = target
        self._listener = socket.create_server((HOST, 0), backlog=128)
        self.port = int(self._listener.getsockname()[1])
        self.taken = 0
        """Connections that were passed on so far."""
        self._weather = FAIR
        self._changed = threading.Event()
        self._lock = threading.Lock()
        self._pairs: set[_Pair] = set()
        self._thread = threading.Thread(target=self._accept, name="proxy", daemon=True)

    def black_hole(self, way: Way) -> None:
        """Take bytes on this way and lose them, without a word to either side."""
        self._become(replace(self._weather, swallows=way))

    def drop_replies(self) -> None:
        """Requests arrive, answers don't: the server has done it, the client never learns."""
        self.black_hole("down")

    def delay(self, seconds: float) -> None:
        self._become(replace(self._weather, delay=seconds))

    def slice(self, size: int) -> None:
        """Pass on in pieces of ``size`` bytes, each in a segment of its own."""
        self._become(replace(self._weather, slice=size))

    def refuse(self) -> None:
        """Let nobody new through; open connections stay."""
        self._become(replace(self._weather, refuses=True))

    def heal(self) -> None:
        """Fair weather from now on. Connections that lost bytes are cut: they can't be mended."""
        lossy = self._weather.swallows is not None
        self._become(FAIR)
        if lossy:
            self.cut()

    def cut(self) -> None:
        """End every open connection in order (FIN)."""
        for pair in self._open():
            pair.end()

    def reset(self) -> None:
        """End every open connection hard (RST): what is on its way is lost."""
        for pair in self._open():
            pair.end(hard=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._become(FAIR)
        self.cut()
        self._thread.join()

    @property
    def weather(self) -> Weather:
        return self._weather

    def forget(self, pair: _Pair) -> None:
        with self._lock:
            self._pairs.discard(pair)

    def pause(self) -> None:
        """As long as the weather delays, but not beyond its change."""
        if self._weather.delay:
            self._changed.wait(self._weather.delay)

    def _become(self, weather: Weather) -> None:
        self._weather = weather
        changed, self._changed = self._changed, threading.Event()
        changed.set()

    def _open(self) -> list[_Pair]:
        with self._lock:
            return list(self._pairs)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                self._pass_on(client)

    def _pass_on(self, client: socket.socket) -> None:
        try:
            if self._weather.refuses:
                raise ConnectionRefusedError
            server = socket.create_connection((HOST, self.target), timeout=5)
        except OSError:
            client.close()
            return
        server.settimeout(None)
        pair = _Pair(self, client, server)
        with self._lock:
            self._pairs.add(pair)
        self.taken += 1
        pair.start()


class _Pair:
    """One connection: two sockets and a thread for each way."""

    def __init__(self, proxy: Proxy, client: socket.socket, server: socket.socket) -> None:
        self._proxy = proxy
        self._sockets = (client, server)
        self._ended = threading.Event()
        for each in self._sockets:
            each.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def start(self) -> None:
        client, server = self._sockets
        for way, source, sink in (("up", client, server), ("down", server, client)):
            threading.Thread(target=self._pump, args=(way, source, sink), daemon=True).start()

    def end(self, *, hard: bool = False) -> None:
        if self._ended.is_set():
            return
        self._ended.set()
        self._proxy.forget(self)
        for each in self._sockets:
            with contextlib.suppress(OSError):
                if hard:
                    each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
                # Wakes the thread that reads here: until it lets go, closing does nothing.
                each.shutdown(socket.SHUT_RD if hard else socket.SHUT_RDWR)
            each.close()

    def _pump(self, way: str, source: socket.socket, sink: socket.socket) -> None:
        try:
            while data := source.recv(_PIECE):
                weather = self._proxy.weather
                for begin in range(0, len(data), weather.slice):
                    self._proxy.pause()
                    if self._proxy.weather.swallows != way:
                        sink.sendall(data[begin : begin + weather.slice])
        except OSError:
            pass
        self.end()
