"""Who may come in, from the settings: open on the machine itself, shut to whoever comes over a network.

Reached from elsewhere with nothing configured, it makes an administrator's token and shows it this once.
"""

from __future__ import annotations

from collections.abc import Callable
from ipaddress import ip_address
from typing import Any

from service.access import Door, Passwords, first_token
from service.domain.model import Instant
from service.keyring import Keyring

HOW = (
    "use it as `Authorization: Bearer …`; make accounts for people with "
    "`earlybell account NAME --role act`, and end this token with `earlybell token first-run --end`"
)


def make_door(keyring: Keyring, *, host: str, clock: Callable[[], Instant], warn: Callable[..., Any]) -> Door:
    """The door of a server on ``host``; ``warn`` logs a first token and
    the use of an emergency's. Raises ``StoreError``."""
    here = is_loopback(host)
    if not here and (secret := first_token(keyring, now=clock())) is not None:
        warn("first_token", token=secret, role="admin", how=HOW)
    return Door(keyring=keyring, passwords=Passwords(), clock=clock, open_here=here, alarm=warn)


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches it."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"
