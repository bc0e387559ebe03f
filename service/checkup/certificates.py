"""How long certificates are good for: those in our files, and those that others show at a handshake."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from cryptography import x509

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import SECOND, Instant, from_datetime, to_datetime

DAY = 24 * 3600 * SECOND
SOON = 21 * DAY
"""So long before a certificate ends it is told: time enough for those who sign by hand."""


def files(case: Case) -> Iterator[Finding]:
    """The certificates that the settings name: our web server's, and those that say who we are or whom we
    trust."""
    for what, name, renews in named(case):
        try:
            until = end_of(Path(name), authority="authority" in what)
        except (OSError, ValueError):
            continue  # the configuration's own area says what is wrong with the file
        yield told("certificate", f"{what} ({name})", until, case.clock(), renews=renews)


def named(case: Case) -> Iterator[tuple[str, str, str]]:
    """What for, which file, how a new one is put there."""
    settings = case.settings
    at_once = "put the renewed file there; it is used within seconds, without a restart"
    anew = "put the renewed file there, then restart the service"
    if settings.web.tls_cert is not None:
        yield "of the page", settings.web.tls_cert, at_once
    owners = [("mqtt", settings.mqtt.cert_file, settings.mqtt.ca_file)]
    owners += [(f"source {each.name}", each.cert_file, each.ca_file) for each in settings.sources]
    for name, cert, authority in owners:
        if cert is not None:
            yield f"that says at the broker who we are, {name}", cert, at_once
        if authority is not None:
            yield f"of the authority that {name} trusts", authority, at_once
    outlets = [(f"outlet {each.name}", each.ca_file) for each in settings.outlets if each.type != "other"]
    for name, authority in (*outlets, ("heartbeat", settings.heartbeat.ca_file)):
        if authority is not None:
            yield f"of the authority that {name} trusts", authority, anew


def end_of(file: Path, *, authority: bool) -> Instant:
    """When what is in ``file`` no longer serves: a chain with its first certificate that ends, a list of
    authorities with its last. Raises ``OSError``, ``ValueError``."""
    ends = [
        from_datetime(each.not_valid_after_utc) for each in x509.load_pem_x509_certificates(file.read_bytes())
    ]
    return max(ends) if authority else min(ends)


def told(area: str, what: str, until: Instant, now: Instant, *, renews: str) -> Finding:
    days, day = (until - now) // DAY, f"{to_datetime(until):%Y-%m-%d}"
    if until <= now:
        return wrong(area, f"{what}: expired on {day}", renews)
    if until - now < SOON:
        return look(area, f"{what}: good for {days} more days, until {day}", renews)
    return good(area, f"{what}: good until {day} ({days} days)")


def of_peer(area: str, what: str, until: Instant | None, now: Instant) -> Iterator[Finding]:
    """What is worth saying of another's certificate that was accepted."""
    if until is not None:
        yield told(area, f"TLS certificate of {what}", until, now, renews="have it renewed there in time")
