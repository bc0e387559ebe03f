"""A wire to the database that can be cut, fall silent, or lose the very answer to a commit."""

from __future__ import annotations

import contextlib
import socket
import threading

_PIECE = 65536


class Proxy:
    """Passes bytes on, to ``target`` and back, until it is told otherwise."""

    def __init__(self, target: tuple[str, int]) -> None:
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.silent = False
        """Takes everything and passes nothing on: a black hole that still answers at the lowest level."""
        self.lose_answers = 0
        """So many commits reach the database, and their answer is lost with the connection."""
        self.lost = 0
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Every connection there is ends now."""
        for pair in self._pairs:
            _end(*pair)
        self._pairs.clear()

    def close(self) -> None:
        self._listener.close()
        self.cut()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
                server = socket.create_connection(self._target)
            except OSError:
                return
            self._pairs.append((client, server))
            for source, sink in ((client, server), (server, client)):
                threading.Thread(target=self._pass_on, args=(source, sink, client), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket, client: socket.socket) -> None:
        try:
            while piece := source.recv(_PIECE):
                if self.silent:
                    continue
                if source is client and self.lose_answers and b"COMMIT" in piece:
                    self._lose_the_answer(piece, client, sink)
                    return
                sink.sendall(piece)
        except OSError:
            pass
        finally:
            _end(source, sink)

    def _lose_the_answer(self, commit: bytes, client: socket.socket, server: socket.socket) -> None:
        self.lose_answers -= 1
        client.shutdown(socket.SHUT_WR)  # so that nobody passes the answer on
        server.sendall(commit)
        self.lost += 1


def _end(*ends: socket.socket) -> None:
    for end in ends:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
