"""The commands about who is in just now, and a way in when nobody has one: ``sessions``, ``emergency``."""

from __future__ import annotations

import argparse
import sys

import structlog

from service.access import emergency_token, end_sessions
from service.bootstrap import wall_clock
from service.commands.common import Adding, problem
from service.commands.opened import at_keyring
from service.domain.access import holds_session
from service.domain.model import to_rfc3339
from service.keyring import Keyring

log = structlog.get_logger()

EMERGENCY = """Makes an administrator's token for some hours, for when every administrator's password is lost.
Whoever may run this on the machine may read its store anyway. It is noted in the audit with the reason, and
logged here and, at its first use, by the service. It opens the API (Authorization: Bearer …), not the page:
for that make an account with `earlybell account NAME --role admin`, and end this token then."""


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    sessions = commands.add_parser("sessions", parents=[common], help="who is signed in; end that")
    which = sessions.add_mutually_exclusive_group()
    which.add_argument("--end", metavar="ID", help="this one opens nothing from now on")
    which.add_argument(
        "--end-all", nargs="?", const="", metavar="NAME", help="all of them, or all of that account"
    )
    sessions.set_defaults(run=_sessions)
    emergency = commands.add_parser(
        "emergency",
        parents=[common],
        help="an administrator's token for an hour, when nobody else can let one in",
        description=EMERGENCY,
    )
    emergency.add_argument("--why", required=True, metavar="TEXT", help="the audit keeps it")
    emergency.add_argument("--hours", type=int, default=1, metavar="N", help="1 to 8 (1)")
    emergency.set_defaults(run=_emergency)


def _sessions(known: argparse.Namespace) -> int:
    if known.end == "":
        return problem("--end: the id of a session, as `earlybell sessions` lists it")
    ending = known.end is not None or known.end_all is not None

    def end(keyring: Keyring) -> None:
        ended = end_sessions(keyring, id=known.end, name=known.end_all or None, now=wall_clock())
        for each in ended:
            print(f"session {each.id} of {each.name}: ended")
        if not ended:
            print("nobody was signed in")

    return at_keyring(known, end if ending else _show)


def _show(keyring: Keyring) -> None:
    now = wall_clock()
    for each in keyring.sessions():
        if holds_session(each, now):
            where = f", from {each.address}" if each.address else ""
            print(
                f"session {each.id}: {each.name}, {each.role}, since {to_rfc3339(each.created_at)}{where},"
                f" last seen {to_rfc3339(each.used_at)}"
            )


def _emergency(known: argparse.Namespace) -> int:
    def make(keyring: Keyring) -> None:
        now = wall_clock()
        token, secret = emergency_token(keyring, why=known.why, hours=known.hours, now=now)
        until = to_rfc3339(now if token.expires_at is None else token.expires_at)
        log.warning("emergency_access", token=token.name, role=token.role, until=until, why=known.why)
        print(secret)
        print(
            f"token {token.name!r} opens everything until {until}: shown this once; end it with"
            f" `earlybell token {token.name!r} --end`",
            file=sys.stderr,
        )

    return at_keyring(known, make)
