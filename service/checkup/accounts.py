"""Who may come in, as far as an administrator should know: everybody, nobody, somebody not much longer."""

from __future__ import annotations

from collections.abc import Iterator

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look
from service.domain.access import DAY, EMERGENCY, Role, Token, holds_token
from service.domain.model import Instant, to_datetime
from service.entrance import is_loopback
from service.ports import StoreError

AREA = "access"
SOON = 14 * DAY


def access(case: Case) -> Iterator[Finding]:
    store = case.store()
    if store is None:
        return
    try:
        people = [each for each in store.keyring.accounts() if each.ended_at is None]
        tokens, used = store.keyring.tokens(), store.keyring.is_used()
    except StoreError:
        return
    if not used:
        yield from _open(case)
        return
    now = case.clock()
    alive = [each for each in tokens if holds_token(each, now)]
    admins = sum(each.role is Role.ADMIN for each in people) + sum(each.role is Role.ADMIN for each in alive)
    yield good(AREA, f"{len(people)} accounts, {len(alive)} tokens, {admins} of them administrators")
    if not admins:
        yield look(
            AREA,
            "there is no administrator",
            "`earlybell account NAME --role admin`, or for an hour `earlybell emergency --why TEXT`",
        )
    for token in alive:
        yield from _soon_over(token, now)


def _open(case: Case) -> Iterator[Finding]:
    if is_loopback(case.settings.web.host):
        yield look(
            AREA,
            "everybody on this machine may do everything: there is no account and no token",
            "`earlybell account NAME --role admin` closes it",
        )


def _soon_over(token: Token, now: Instant) -> Iterator[Finding]:
    if token.expires_at is None:
        return
    until = f"{to_datetime(token.expires_at):%Y-%m-%d %H:%M} UTC"
    if token.name.startswith(EMERGENCY):
        yield look(AREA, f"token {token.name} opens everything until {until}", "end it once it isn't needed")
    elif token.name == token.program and token.expires_at - now < SOON:
        yield look(
            AREA,
            f"token {token.name} expires {until}",
            "give the program another with `earlybell token --rotate`",
        )
