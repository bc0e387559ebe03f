"""The web server around the application: its socket, bound before anything else starts, and its end."""

from __future__ import annotations

import socket
from types import FrameType

import uvicorn
from fastapi import FastAPI

from service.web.stream import Hub

GRACE_SECONDS = 2


class AddressTakenError(Exception):
    """The web address can't be listened on; the text says which and why."""


class Server(uvicorn.Server):
    """Ends the open streams as soon as it is asked to stop; they would hold it up otherwise."""

    def __init__(self, app: FastAPI, hub: Hub) -> None:
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=GRACE_SECONDS,
            server_header=False,
        )
        super().__init__(config)
        self._hub = hub

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._hub.close()
        super().handle_exit(sig, frame)


def listen(host: str, port: int) -> socket.socket:
    """The bound socket. Raises ``AddressTakenError``: a clear answer instead of a half-started service."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise AddressTakenError(
            f"web: can't listen on {host}:{port} ({error.strerror}); set web.port to a free one"
        ) from None
    return listener
