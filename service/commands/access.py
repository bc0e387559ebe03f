"""The commands about who may do what: ``token``, ``account``, ``end-links``, ``accounts``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from getpass import getpass

from service.access import (
    AccessError,
    Passwords,
    end_account,
    end_links,
    end_token,
    make_account,
    make_token,
)
from service.bootstrap import wall_clock
from service.commands.common import Adding, problem, settings_of
from service.domain.access import Role, Token
from service.domain.model import Instant, to_rfc3339
from service.keyring import Keyring
from service.ports import StoreError, StoreRevisionError
from service.store import Store, open_store


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    roles = [role.value for role in Role]
    token = commands.add_parser("token", parents=[common], help="make a token for a program; shown once")
    token.add_argument("name", metavar="NAME")
    token.add_argument("--days", type=int, metavar="N", help="it expires then; without, when it is ended")
    token.add_argument("--for-others", action="store_true", help="it may say in whose name it acts")
    token.set_defaults(run=_token)
    account = commands.add_parser("account", parents=[common], help="make a person's account, or change it")
    account.add_argument("name", metavar="NAME")
    account.set_defaults(run=_account)
    for command in (token, account):
        what = command.add_mutually_exclusive_group(required=True)
        what.add_argument("--role", choices=roles, help="what it may do; each includes the ones before")
        what.add_argument("--end", action="store_true", help="it opens nothing from now on")
    links = commands.add_parser("end-links", parents=[common], help="messages open this notice no longer")
    links.add_argument("notice", metavar="NOTICE", help="its id, as its page's address has it")
    links.set_defaults(run=_end_links)
    commands.add_parser("accounts", parents=[common], help="list accounts and tokens").set_defaults(
        run=_accounts
    )


def _token(known: argparse.Namespace) -> int:
    def change(keyring: Keyring) -> None:
        if known.end:
            end_token(keyring, known.name, now=wall_clock())
            print(f"token {known.name}: ended")
            return
        secret = make_token(
            keyring,
            known.name,
            role=Role(known.role),
            days=known.days,
            others=known.for_others,
            now=wall_clock(),
        )
        print(secret)
        print(f"token {known.name}, role {known.role}: shown this once, keep it safe", file=sys.stderr)

    return _at_keyring(known, change)


def _account(known: argparse.Namespace) -> int:
    def end(store: Store) -> None:
        name = end_account(store.keyring, known.name, now=wall_clock())
        rows = store.phones.of_person(name)
        ended = sum(store.phones.end(row.device, row.outlet) for row in rows)
        print(f"account {name}: ended" + (f", phones that hear nothing more: {ended}" if ended else ""))

    def change(keyring: Keyring) -> None:
        password, role = _asked_password(), Role(known.role)
        new = make_account(keyring, Passwords(), known.name, role=role, password=password, now=wall_clock())
        print(f"account {known.name}: {'made' if new else 'changed, its sessions ended'}, role {role}")

    return _at_store(known, end) if known.end else _at_keyring(known, change)


def _end_links(known: argparse.Namespace) -> int:
    def change(keyring: Keyring) -> None:
        print(f"{end_links(keyring, known.notice, now=wall_clock())} links ended")

    return _at_keyring(known, change)


def _accounts(known: argparse.Namespace) -> int:
    def show(keyring: Keyring) -> None:
        now = wall_clock()
        for account in keyring.accounts():
            ended = "" if account.ended_at is None else f", ended {to_rfc3339(account.ended_at)}"
            print(f"account {account.name}: {account.role}{ended}")
        for token in keyring.tokens():
            print(f"token {token.name}: {token.role}{_life_of(token, now)}")

    return _at_keyring(known, show)


def _life_of(token: Token, now: Instant) -> str:
    """What is known of a token's use and end, behind its role."""
    others = ", for others" if token.others else ""
    used = ", never used" if token.used_at is None else f", last used {to_rfc3339(token.used_at)}"
    if token.ended_at is not None:
        return f"{others}{used}, ended {to_rfc3339(token.ended_at)}"
    if token.expires_at is None:
        return f"{others}{used}"
    return (
        f"{others}{used}, {'expires' if now < token.expires_at else 'expired'} {to_rfc3339(token.expires_at)}"
    )


def _asked_password() -> str:
    """From a prompt, twice; from a pipe its first line. Never an argument: others see those."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    password = getpass("Password: ")
    if getpass("Again: ") != password:
        raise AccessError("the two passwords differ")
    return password


def _at_keyring(known: argparse.Namespace, work: Callable[[Keyring], None]) -> int:
    return _at_store(known, lambda store: work(store.keyring))


def _at_store(known: argparse.Namespace, work: Callable[[Store], None]) -> int:
    settings = settings_of(known)
    try:
        store = open_store(settings.store.url.get_secret_value(), migrate=True)
        try:
            work(store)
        finally:
            store.close()
    except (AccessError, StoreError, StoreRevisionError) as error:
        return problem(str(error))
    return 0
