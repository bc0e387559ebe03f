"""Connects an outlet to the one host and port that were configured, and to no address that a name shouldn't
lead to.

A name is looked up once for each connection, all answers are judged, and the connection goes to an address
that was judged: asking a second time could give another answer.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from typing import Any

import httpcore

from service.hosts import Network, check_allowed, check_host, literal, refusal

EACH_SECONDS = 4.0
"""For one of several addresses; the last has what is left of the deadline."""

Resolve = Callable[[str, int], Awaitable[Sequence[str]]]
"""All addresses of a host, as text. Raises ``socket.gaierror``."""


class Forbidden(OSError):
    """The outlet may not go there; the text says why, without an address."""


async def look_up(host: str, port: int) -> Sequence[str]:
    """The system's own answer."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_, address in found))


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How an outlet gets out. ``ca_file``: the authorities to trust instead of the system's; ``allow``:
    networks that its name may lead to beyond public and private ones. ``public_only``: beyond public ones;
    the name comes from somebody else than whoever configured us."""

    ca_file: str | None = None
    allow: Sequence[str] = ()
    resolve: Resolve = look_up
    public_only: bool = False


class Destination:
    """Raises ``ValueError`` when the host or a network of ``way`` can't be meant."""

    def __init__(self, host: str, port: int, way: Way) -> None:
        check_host(host)
        self.host = host
        self.port = port
        self._allowed = [_network(each) for each in way.allow]
        self._resolve = way.resolve
        self._public_only = way.public_only

    async def addresses(self) -> list[str]:
        """Where to connect to, each judged. One bad answer spoils all: who mixes it in can do so again."""
        said = [self.host] if literal(self.host) is not None else await self._resolve(self.host, self.port)
        for text in said:
            if why := refusal(self.host, ip_address(text), self._allowed, public_only=self._public_only):
                raise Forbidden(why)
        if not said:
            raise socket.gaierror(socket.EAI_NONAME, "no address")
        return list(said)

    async def connect(self) -> socket.socket:
        """A connected socket. Raises ``OSError``."""
        *others, last = await self.addresses()
        for address in others:
            try:
                async with asyncio.timeout(EACH_SECONDS):
                    return await _connected(address, self.port)
            except OSError:  # TimeoutError is one
                continue
        return await _connected(last, self.port)


class CheckedNetwork(httpcore.AsyncNetworkBackend):
    """The HTTP client's way to the network: to ``destination`` or not at all."""

    def __init__(self, destination: Destination) -> None:
        self._destination = destination
        self._network = httpcore.AnyIOBackend()

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,  # noqa: ASYNC109 (the library's own signature)
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        """TLS begins above this, with the name that was asked for; so does the Host header."""
        if (host, port) != (self._destination.host, self._destination.port):
            raise httpcore.ConnectError from Forbidden("it was led to another host or port")
        try:
            *others, last = await self._destination.addresses()
        except OSError as error:
            raise httpcore.ConnectError from error
        for address in others:
            try:
                return await self._network.connect_tcp(address, port, timeout=EACH_SECONDS)
            except (httpcore.ConnectError, httpcore.ConnectTimeout):
                continue
        return await self._network.connect_tcp(last, port, timeout, local_address, socket_options)

    async def sleep(self, seconds: float) -> None:
        await self._network.sleep(seconds)


def _network(text: str) -> Network:
    try:
        check_allowed(text)
    except ValueError as error:
        raise ValueError(f"allow: {text} {error}") from None
    return ip_network(text)


async def _connected(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    connection = socket.socket(family, socket.SOCK_STREAM)
    try:
        connection.setblocking(False)
        await asyncio.get_running_loop().sock_connect(connection, (address, port))
    except BaseException:
        connection.close()
        raise
    return connection
