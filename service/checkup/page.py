"""Whether the page is served, and reached at the address that messages name for it."""

from __future__ import annotations

import contextlib
import email.utils
import ssl
from collections.abc import Iterator
from datetime import UTC
from urllib.parse import urlsplit

import httpx

from service import outside
from service.checkup.case import Case
from service.checkup.clock import apart
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import SECOND, Instant, from_datetime
from service.entrance import is_loopback
from service.outlets.reasons import network_reason
from service.tls import TlsFileError, client_context

AREA = "page"
_ANYWHERE = {"0.0.0.0", "::"}  # noqa: S104 (compared with, not listened on)


def page(case: Case) -> Iterator[Finding]:
    yield from _served(case)
    yield from _named(case)
    if case.settings.web.public_url is not None:
        yield from _public(case, case.settings.web.public_url)


def _served(case: Case) -> Iterator[Finding]:
    """Whether it answers on this machine; that the service doesn't run is told by the store's area."""
    web = case.settings.web
    if web.port == 0:
        return
    here = outside.web_address(case.settings, web.port)
    if web.host in _ANYWHERE:
        here = here.replace(web.host, "127.0.0.1" if web.host != "::" else "::1")
    try:
        answer = _get(f"{here}/readyz", case, _own_certificate(case))
    except (httpx.HTTPError, TlsFileError) as error:
        if network_reason(error) in (None, "connection refused"):
            yield look(AREA, f"not served at {here} just now", "start the service")
        else:
            yield look(
                AREA, f"{here}: {network_reason(error)}", "look at web.tls_cert; the service reads it anew"
            )
        return
    with contextlib.suppress(ValueError, KeyError, TypeError):
        if answer.status_code == 200 and answer.json()["ready"]:
            yield good(AREA, f"served at {here}, the service is ready")
            return
        if not answer.json()["ready"]:
            reasons = "; ".join(map(str, answer.json()["reasons"]))[:200]
            yield look(
                AREA,
                f"served at {here}, but the service isn't ready: {reasons}",
                "one that stands by is never ready; else see the lines about what it names",
            )
            return
    yield wrong(AREA, f"another program answers at {here}", "end it, or choose another web.port")


def _named(case: Case) -> Iterator[Finding]:
    web, told = case.settings.web, bool(case.settings.outlets)
    shown = web.public_url or outside.web_address(case.settings, web.port)
    host = urlsplit(shown).hostname or ""
    if told and (is_loopback(host) or host in _ANYWHERE):
        yield look(
            AREA,
            f"messages link to {shown}, which leads nowhere from a phone or another computer",
            "set web.public_url to the address by which people reach the page",
        )
    elif not is_loopback(web.host) and urlsplit(shown).scheme == "http":
        yield look(
            AREA,
            "passwords and keys go over the network in plain text",
            "set web.tls_cert and web.tls_key, or web.public_url to the https address of a proxy",
        )


def _public(case: Case, url: str) -> Iterator[Finding]:
    url = url.rstrip("/")
    before = case.clock()
    try:
        answer = _get(f"{url}/healthz", case, client_context())
    except httpx.HTTPError as error:
        yield look(
            AREA,
            f"{url} isn't reached from this machine: {network_reason(error) or 'no answer'}",
            "open it in a browser; if that fails too, look at name, proxy and certificate",
        )
        return
    if answer.status_code != 200:
        yield wrong(
            AREA,
            f"at {url} answers something else than this program ({answer.status_code})",
            "correct web.public_url, or what the proxy before it passes on",
        )
        return
    yield good(AREA, f"reached at {url}")
    theirs = date_of(answer)
    if theirs is not None:
        # A whole second is all that the header tells.
        yield apart(urlsplit(url).hostname or url, theirs, before - SECOND, case.clock())


def date_of(answer: httpx.Response) -> Instant | None:
    """What the other side's clock said (RFC 9110, 6.6.1)."""
    try:
        moment = email.utils.parsedate_to_datetime(answer.headers["date"])
    except (KeyError, ValueError):
        return None
    return from_datetime(moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC))


def _get(url: str, case: Case, trusted: ssl.SSLContext | None) -> httpx.Response:
    with httpx.Client(
        timeout=case.seconds, trust_env=False, verify=trusted if trusted is not None else True
    ) as client:
        return client.get(url, headers={"user-agent": "earlybell"})


def _own_certificate(case: Case) -> ssl.SSLContext | None:
    """Trusts what our own file holds and nothing else, under whatever name we ask for it."""
    if case.settings.web.tls_cert is None:
        return None
    context = client_context(case.settings.web.tls_cert)
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    return context
