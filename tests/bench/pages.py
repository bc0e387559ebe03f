"""Live pages: so many connections that follow the stream and read all of it. A program of its own."""

from __future__ import annotations

import select
import signal
import socket
import sys
from contextlib import suppress

_ASK = b"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: text/event-stream\r\n\r\n"


def main() -> None:
    """Says ``open`` once every page has its stream, and at ``SIGTERM`` how many events came to all."""
    port, pages = int(sys.argv[1]), int(sys.argv[2])
    streams = [socket.create_connection(("127.0.0.1", port)) for _ in range(pages)]
    for each in streams:
        each.sendall(_ASK)
    for each in streams:
        if not each.recv(65_536).startswith(b"HTTP/1.1 200"):
            raise SystemExit("the service refuses a stream")
    print("open", flush=True)
    waiting = select.poll()
    by_number = {each.fileno(): each for each in streams}
    for number in by_number:
        waiting.register(number, select.POLLIN)
    events = 0
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())
    with suppress(SystemExit):
        while True:
            for number, _ in waiting.poll():
                data = by_number[number].recv(262_144)
                events += data.count(b"\ndata: ")
                if not data:
                    waiting.unregister(number)
    print(events, flush=True)


if __name__ == "__main__":
    main()
