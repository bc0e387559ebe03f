"""The commands about who may do what: ``token``, ``account``, ``end-links``, ``accounts``. All of them work
beside a running service, which follows within two seconds."""

from __future__ import annotations

import argparse
import os
import sys
from getpass import getpass
from pathlib import Path

from service.access import (
    AccessError,
    Passwords,
    end_account,
    end_links,
    end_token,
    export_access,
    import_access,
    make_account,
    make_token,
    rotate_token,
)
from service.bootstrap import wall_clock
from service.commands.common import Adding, problem
from service.commands.opened import at_keyring, at_store
from service.domain.access import Role, Token
from service.domain.model import Instant, to_rfc3339
from service.keyring import Keyring
from service.store import Store

OVERLAP = 24.0
"""Hours in which a program is given its new secret, unless it is said."""


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    roles = [role.value for role in Role]
    token = commands.add_parser("token", parents=[common], help="make a token for a program; shown once")
    token.add_argument("name", metavar="NAME")
    token.add_argument("--days", type=int, metavar="N", help="it expires then; without, when it is ended")
    token.add_argument("--for-others", action="store_true", help="it may say in whose name it acts")
    token.add_argument(
        "--overlap", type=float, metavar="HOURS", help=f"with --rotate: so long both hold ({OVERLAP:g})"
    )
    token.set_defaults(run=_token)
    account = commands.add_parser("account", parents=[common], help="make a person's account, or change it")
    account.add_argument("name", metavar="NAME")
    account.set_defaults(run=_account)
    for command in (token, account):
        what = command.add_mutually_exclusive_group(required=True)
        what.add_argument("--role", choices=roles, help="what it may do; each includes the ones before")
        what.add_argument("--end", action="store_true", help="it opens nothing from now on")
        if command is token:
            what.add_argument("--rotate", action="store_true", help="another secret; the one before holds on")
    links = commands.add_parser("end-links", parents=[common], help="messages open this notice no longer")
    links.add_argument("notice", metavar="NOTICE", help="its id, as its page's address has it")
    links.set_defaults(run=_end_links)
    accounts = commands.add_parser("accounts", parents=[common], help="list or move accounts and tokens")
    moved = accounts.add_mutually_exclusive_group()
    moved.add_argument("--export", type=Path, metavar="FILE", help="all of them, as hashes, into a new file")
    moved.add_argument("--import", dest="given", type=Path, metavar="FILE", help="those that aren't here yet")
    accounts.add_argument("--replace", action="store_true", help="with --import: also those that are here")
    accounts.set_defaults(run=_accounts)


def _token(known: argparse.Namespace) -> int:
    def change(keyring: Keyring) -> None:
        if known.end:
            end_token(keyring, known.name, now=wall_clock())
            print(f"token {known.name}: ended")
            return
        if known.rotate:
            hours = OVERLAP if known.overlap is None else known.overlap
            secret, until = rotate_token(keyring, known.name, hours=hours, now=wall_clock())
            print(secret)
            kept = f"the one before holds until {to_rfc3339(until)}" if hours else "the one before is ended"
            print(f"token {known.name}: {kept}; shown this once, keep it safe", file=sys.stderr)
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

    if known.overlap is not None and not known.rotate:
        return problem("--overlap: only with --rotate")
    if known.rotate and (known.days is not None or known.for_others):
        return problem("--rotate: role and lasting stay; leave out --days and --for-others")
    return at_keyring(known, change)


def _account(known: argparse.Namespace) -> int:
    def end(store: Store) -> None:
        name = end_account(store.keyring, known.name, now=wall_clock())
        print(f"account {name}: ended{_end_phones(store, name)}")

    def change(keyring: Keyring) -> None:
        password, role = _asked_password(), Role(known.role)
        new = make_account(keyring, Passwords(), known.name, role=role, password=password, now=wall_clock())
        print(f"account {known.name}: {'made' if new else 'changed, its sessions ended'}, role {role}")

    return at_store(known, end) if known.end else at_keyring(known, change)


def _end_phones(store: Store, name: str) -> str:
    """Of somebody whose account is over; what is said of it."""
    ended = sum(store.phones.end(row.device, row.outlet) for row in store.phones.of_person(name))
    return f", phones that hear nothing more: {ended}" if ended else ""


def _end_links(known: argparse.Namespace) -> int:
    def change(keyring: Keyring) -> None:
        print(f"{end_links(keyring, known.notice, now=wall_clock())} links ended")

    return at_keyring(known, change)


def _accounts(known: argparse.Namespace) -> int:
    if known.replace and known.given is None:
        return problem("--replace: only with --import")
    if known.export is not None:
        return _export(known)
    if known.given is not None:
        return _import(known)

    def show(keyring: Keyring) -> None:
        now = wall_clock()
        for account in keyring.accounts():
            ended = "" if account.ended_at is None else f", ended {to_rfc3339(account.ended_at)}"
            print(f"account {account.name}: {account.role}{ended}")
        for token in keyring.tokens():
            print(f"token {token.name}: {token.role}{_life_of(token, now)}")

    return at_keyring(known, show)


def _export(known: argparse.Namespace) -> int:
    """Into a file that nobody else can read from its first byte on; never over another."""
    file: Path = known.export

    def keep(keyring: Keyring) -> None:
        opened = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(opened, "wb") as new:
                new.write(export_access(keyring, now=wall_clock()))
                new.flush()
                os.fsync(new.fileno())
        except BaseException:
            file.unlink()  # half of it would look like all
            raise
        print(f"written: {file} (hashes only; keep it private: passwords can be tried against it)")

    try:
        return at_keyring(known, keep)
    except OSError as error:
        return problem(f"{file}: {error.strerror}")


def _import(known: argparse.Namespace) -> int:
    try:
        data = known.given.read_bytes()
    except OSError as error:
        return problem(f"{known.given}: {error.strerror}")

    def take(store: Store) -> None:
        done = import_access(store.keyring, data, replacing=known.replace, now=wall_clock())
        for names, what in (
            (done.made, "made"),
            (done.replaced, "replaced"),
            (done.left, "left as it is"),
        ):
            for name in names:
                print(f"{name}: {what}")
        for name in done.ended:
            print(f"account {name}: ended{_end_phones(store, name)}")

    return at_store(known, take)


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
