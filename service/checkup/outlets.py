"""Whether outlets can be reached, up to the point where something would be sent: names, addresses that are
allowed, TLS, a mail server's login. Nothing is sent; `earlybell outlets --test` does that.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import urlsplit

import aiosmtplib

from service.checkup.case import Case
from service.checkup.certificates import of_peer
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import Instant
from service.mqtt.visit import shown_until
from service.outlets.mail_addresses import mail_server
from service.outlets.mail_replies import mail_reason
from service.outlets.network import Destination, Way
from service.outlets.post import trusted_by
from service.outlets.reasons import network_reason
from service.phones import origin_of
from service.ports import StoreError
from service.settings import Outlet
from service.tls import client_context

_MOST_SERVICES = 5
_TO_DO = {
    "its name isn't known": "correct the address, or the name service of this machine",
    "connection refused": "start the service there, or correct the port",
    "no answer": "look at the network and its firewalls in between",
    "no TLS connection": "correct the scheme or the port: what answers there speaks no TLS",
}


def outlet(case: Case, each: Outlet) -> Iterator[Finding]:
    area = f"outlet {each.name}"
    if each.type == "other":
        yield good(area, "goes its own way to the network; `earlybell outlets --test` shows whether it works")
        return
    way = Way(ca_file=each.ca_file, allow=each.allow)
    if each.type == "email":
        yield from asyncio.run(_mail(area, each.smtp_url.get_secret_value(), way, case))
    elif each.type == "push":
        yield from _push(area, each.services, case, each.name, way)
    else:
        yield from asyncio.run(_http(area, each.url.get_secret_value(), way, case))


def heartbeat(case: Case) -> Iterator[Finding]:
    beat = case.settings.heartbeat
    if beat.url is not None:
        way = Way(ca_file=beat.ca_file, allow=beat.allow)
        yield from asyncio.run(_http("heartbeat", beat.url.get_secret_value(), way, case))


def _push(area: str, services: Sequence[str], case: Case, name: str, way: Way) -> Iterator[Finding]:
    """The push services of the phones that hear it: those of browsers, and the plant's own."""
    store = case.store()
    try:
        phones = [] if store is None else store.phones.of(name)
    except StoreError:
        phones = []
    own = {origin_of(each) for each in services}
    origins = sorted(own | {origin_of(each.endpoint) for each in phones})
    if not phones:
        yield look(area, "no phone hears it", "open the page /phone on a phone and turn it on")
    for origin in origins[:_MOST_SERVICES]:
        there = way if origin in own else Way(public_only=True)
        yield from asyncio.run(_http(area, origin, there, case))


async def _http(area: str, url: str, way: Way, case: Case) -> list[Finding]:
    parts = urlsplit(url)
    host, tls = parts.hostname or "", parts.scheme == "https"
    port = parts.port or (443 if tls else 80)
    try:
        trusted = trusted_by(way) if tls else None
        async with asyncio.timeout(case.seconds):
            until = await _reached(host, port, way, trusted)
    except Exception as error:
        return [_unreached(area, host, error)]
    how = "by TLS" if tls else "in plain text"
    findings = [good(area, f"{host} is reached {how}; nothing was sent")]
    return findings + list(of_peer(area, host, until, case.clock()))


async def _reached(host: str, port: int, way: Way, trusted: ssl.SSLContext | None) -> Instant | None:
    """When the certificate that was shown ends. Raises whatever goes wrong."""
    connection = await Destination(host, port, way).connect()
    try:
        name = None if trusted is None else host
        _, writer = await asyncio.open_connection(sock=connection, ssl=trusted, server_hostname=name)
    except BaseException:
        connection.close()
        raise
    shown = writer.get_extra_info("ssl_object")
    until = None if shown is None else shown_until(shown)
    writer.close()
    with contextlib.suppress(OSError, ssl.SSLError, TimeoutError):
        async with asyncio.timeout(0.5):
            await writer.wait_closed()
    return until


async def _mail(area: str, url: str, way: Way, case: Case) -> list[Finding]:
    """EHLO, TLS and the login as a letter would have them, then QUIT."""
    server = mail_server(url)
    smtp = aiosmtplib.SMTP(
        hostname=server.host,
        username=server.user,
        password=server.password,
        use_tls=server.tls,
        start_tls=server.starttls,
        tls_context=client_context(way.ca_file),
        timeout=case.seconds,
        local_hostname="[127.0.0.1]",
    )
    until: Instant | None = None
    try:
        async with asyncio.timeout(case.seconds):
            smtp.sock = await Destination(server.host, server.port, way).connect()
            await smtp.connect()
            shown: Any = smtp.get_transport_info("ssl_object")
            until = None if shown is None else shown_until(shown)
            await smtp.quit()
    except TimeoutError as error:
        return [_unreached(area, server.host, error)]
    except Exception as error:
        return [_refused(area, server.host, error)]
    finally:
        smtp.close()
    tls = "in plain text" if shown is None else "by TLS"
    login = "without a login" if server.user is None else "and the login is taken"
    findings = [good(area, f"mail server {server.host} is reached {tls}, {login}; nothing was sent")]
    if server.user is not None and shown is None:
        findings.append(look(area, "the login goes over the network in plain text", "use smtp+starttls://"))
    return findings + list(of_peer(area, server.host, until, case.clock()))


def _refused(area: str, host: str, error: Exception) -> Finding:
    if isinstance(error, aiosmtplib.SMTPAuthenticationError):
        return wrong(area, f"{host}: {mail_reason(error)}", "correct user and password in smtp_url")
    if network_reason(error) is None and isinstance(error, aiosmtplib.SMTPException):
        return wrong(area, f"{host}: {mail_reason(error)}", "correct the scheme or the port of smtp_url")
    return _unreached(area, host, error)


def _unreached(area: str, host: str, error: BaseException) -> Finding:
    why = "no answer" if isinstance(error, TimeoutError) else network_reason(error) or "can't connect"
    to_do = _TO_DO.get(why)
    if to_do is None and "certificate" in why:
        to_do = "have the certificate renewed there, or name the authority that signed it in ca_file"
    if to_do is None and "leads to" in why:
        to_do = "if that is meant, name its network in allow; else correct the name"
    return wrong(area, f"{host}: {why}", to_do or "look at the network and its firewalls in between")
