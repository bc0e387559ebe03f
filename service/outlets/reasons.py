"""Why a connection failed, in our own words: the libraries name addresses, and secrets with them."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator

from service.outlets.network import Forbidden
from service.tls import certificate_reason


def network_reason(error: BaseException) -> str | None:
    """The reason that lies behind ``error``; ``None`` when it isn't about the network."""
    for cause in _causes(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return certificate_reason(cause)
        if isinstance(cause, Forbidden):
            return str(cause)
        if isinstance(cause, ssl.SSLError):
            return "no TLS connection"
        if isinstance(cause, socket.gaierror):
            return "its name isn't known"
        if isinstance(cause, ConnectionRefusedError):
            return "connection refused"
    return None


def _causes(error: BaseException) -> Iterator[BaseException]:
    todo, seen = [error], set[int]()
    while todo:
        one = todo.pop()
        if id(one) in seen:
            continue
        seen.add(id(one))
        yield one
        todo += [other for other in (one.__cause__, one.__context__) if other is not None]
        if isinstance(one, BaseExceptionGroup):
            todo += one.exceptions
