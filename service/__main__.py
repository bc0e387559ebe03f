"""The command line: reads the words, loads the settings, hands over. Exit 0 good, 1 a problem it names, 2
misuse."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from getpass import getpass
from pathlib import Path
from typing import Any

from service import crash, outside
from service.access import (
    AccessError,
    Passwords,
    end_account,
    end_links,
    end_token,
    make_account,
    make_token,
)
from service.bootstrap import Service, wall_clock
from service.domain.access import Role, Token
from service.domain.model import Instant, to_rfc3339
from service.keyring import Keyring
from service.outlets import OutletError
from service.ports import StoreError, StoreRevisionError, Unfit
from service.recordings import print_outlooks
from service.settings import Settings, SettingsError, load
from service.store import BackupError, back_up, open_store, restore, upgrade
from service.telemetry import LEVELS, configure_logging
from service.tls import TlsFileError
from service.usecases.foretell import Wanted
from service.usecases.replay import replay
from service.web.server import AddressTakenError
from simulators import cli

Command = Callable[[argparse.Namespace], int]


def main(argv: Sequence[str] | None = None) -> int:
    words = sys.argv[1:] if argv is None else list(argv)
    parser = _parser()
    known, rest = parser.parse_known_args(words)
    if rest and known.command not in ("simulate", "demo"):
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    known.rest = rest
    try:
        crash.arm(os.environ.get(crash.VARIABLE))
    except ValueError as error:
        return _problem(str(error))
    command: Command = known.run
    try:
        return command(known)
    except SettingsError as error:
        return _problem(*error.lines)
    except BrokenPipeError:
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="earlybell",
        description="Says which supply slot runs empty, how many panels from now, before the machine does.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--config", type=Path, metavar="FILE", help="TOML file; defaults apply without one")
    common.add_argument("--log-level", choices=LEVELS, default="info")
    for name, run, what in (
        ("run", _run, "listen, forecast, warn and serve the page"),
        ("upgrade-store", _upgrade, "bring the store's schema to this program's revision"),
        ("check", _check, "check configuration and store, and say what to do"),
    ):
        commands.add_parser(name, parents=[common], help=what).set_defaults(run=run)
    for name, run, what in (
        ("backup", _backup, "copy the store into FILE, also while the service runs"),
        ("restore", _restore, "put a backup back; the service must not run"),
    ):
        command = commands.add_parser(name, parents=[common], help=what)
        command.add_argument("file", type=Path, metavar="FILE")
        command.set_defaults(run=run)
        if name == "restore":
            command.add_argument("--force", action="store_true", help="put the store there is out of the way")
    replay = commands.add_parser("replay", parents=[common], help="a recorded journal into an empty store")
    replay.add_argument(
        "file", type=Path, metavar="FILE", help="CloudEvents, one a line, as /events gives them"
    )
    replay.add_argument("--batch", type=int, default=200, metavar="N", help="entries a commit (200)")
    replay.set_defaults(run=_replay)
    forecast = commands.add_parser("forecast", parents=[common], help="every outlook that a recording gives")
    forecast.add_argument("file", type=Path, metavar="FILE", help="the same, or topics with payloads; .gz; -")
    forecast.add_argument("--slots", default="*", metavar="PATTERN", help="only line/station/slot like this")
    forecast.add_argument("--every", type=int, default=1, metavar="N", help="a slot every N panels (1)")
    forecast.set_defaults(run=_forecast)
    _add_access(commands, common)
    for name, run, what in (
        ("simulate", _simulate, "a made-up line that publishes to a broker (simulate --help)"),
        ("demo", _demo, "broker, service, simulator and receiver in one (demo --help)"),
    ):
        made_up = commands.add_parser(name, add_help=False, help=what)
        made_up.add_argument("--config", type=Path, metavar="FILE")
        made_up.set_defaults(run=run)
    return parser


def _add_access(commands: Any, common: argparse.ArgumentParser) -> None:
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


def _settings(known: argparse.Namespace) -> Settings:
    configure_logging(known.log_level)
    return load(known.config, os.environ)


def _run(known: argparse.Namespace) -> int:
    if int(os.environ.get("WEB_CONCURRENCY", "1") or 1) > 1:
        return _problem("WEB_CONCURRENCY: one process only, the owner of the state can't be two")
    settings = _settings(known)
    try:
        service = Service(settings)
    except (AddressTakenError, OutletError, StoreError, StoreRevisionError, TlsFileError) as error:
        return _problem(str(error))
    return service.run()


def _upgrade(known: argparse.Namespace) -> int:
    settings = _settings(known)
    try:
        done = upgrade(settings.store.url.get_secret_value())
        before = "nothing" if done.before is None else f"revision {done.before}"
        print(f"store: revision {done.after}" + ("" if done.before == done.after else f", was {before}"))
    except (StoreError, StoreRevisionError) as error:
        return _problem(str(error))
    return 0


def _check(known: argparse.Namespace) -> int:
    settings = _settings(known)
    if found := outside.problems(settings):
        return _problem(*found)
    print(f"configuration: good ({len(settings.outlets)} outlets, {len(settings.slots)} slot rules)")
    url = settings.store.url.get_secret_value()
    if url.startswith("sqlite:///") and not Path(url.removeprefix("sqlite:///")).exists():
        print("store: not there yet, `earlybell run` makes it")
        return 0
    try:
        store = open_store(url, migrate=False)
        print(f"store: good ({store.ledger.load().position} journal entries)")
        store.close()
    except (StoreError, StoreRevisionError) as error:
        return _problem(f"store: {error}")
    return 0


def _backup(known: argparse.Namespace) -> int:
    settings = _settings(known)
    try:
        done = back_up(settings.store.url.get_secret_value(), known.file)
    except (BackupError, StoreError, StoreRevisionError) as error:
        return _problem(*str(error).splitlines())
    print(f"backup: {known.file}, revision {done.revision}, {done.position} journal entries, checked")
    return 0


def _restore(known: argparse.Namespace) -> int:
    settings = _settings(known)
    try:
        done = restore(settings.store.url.get_secret_value(), known.file, force=known.force, now=wall_clock())
    except (BackupError, StoreError, StoreRevisionError) as error:
        return _problem(*str(error).splitlines())
    print(f"restored: revision {done.revision}, {done.position} journal entries")
    if done.set_aside:
        print(f"{done.set_aside} deliveries that waited then are not sent again; they are listed as dead")
    if done.replaced is not None:
        print(f"the store before is kept as {done.replaced}")
    return 0


def _replay(known: argparse.Namespace) -> int:
    settings = _settings(known)
    if known.batch < 1:
        return _problem("--batch: at least 1")
    try:
        store = open_store(settings.store.url.get_secret_value(), migrate=True)
        with known.file.open("rb") as lines:
            done = replay(lines, store.ledger, batch=known.batch)
        store.close()
    except (OSError, StoreError, StoreRevisionError, Unfit) as error:
        return _problem(f"{known.file}: {error}")
    span = (
        ""
        if done.first is None or done.last is None
        else (f" from {to_rfc3339(done.first)} to {to_rfc3339(done.last)}")
    )
    print(f"replayed {done.entries} entries{span}: {done.told} changes of notices")
    return 0


def _forecast(known: argparse.Namespace) -> int:
    settings = _settings(known)
    wanted = Wanted(slots=known.slots, every=known.every, root=settings.mqtt.floor_root)
    try:
        print_outlooks(known.file, settings.policy(), wanted)
    except Unfit as error:
        return _problem(f"{known.file}: {error}")
    return 0


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
    def change(keyring: Keyring) -> None:
        if known.end:
            end_account(keyring, known.name, now=wall_clock())
            print(f"account {known.name}: ended")
            return
        password, role = _asked_password(), Role(known.role)
        new = make_account(keyring, Passwords(), known.name, role=role, password=password, now=wall_clock())
        print(f"account {known.name}: {'made' if new else 'changed, its sessions ended'}, role {role}")

    return _at_keyring(known, change)


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
    settings = _settings(known)
    try:
        store = open_store(settings.store.url.get_secret_value(), migrate=True)
        try:
            work(store.keyring)
        finally:
            store.close()
    except (AccessError, StoreError, StoreRevisionError) as error:
        return _problem(str(error))
    return 0


def _simulate(known: argparse.Namespace) -> int:
    """Words of its own win over what the configuration says of the broker."""
    said: list[str] = []
    if known.config is not None:
        mqtt = load(known.config, os.environ).mqtt
        scheme = "mqtts" if mqtt.tls else "mqtt"
        said = ["--broker", f"{scheme}://{mqtt.host}:{mqtt.port}", "--root", mqtt.floor_root]
    return cli.simulate([*said, *known.rest])


def _demo(known: argparse.Namespace) -> int:
    """The demo brings its own everything; a configuration only says which ports it would like."""
    said: list[str] = []
    if known.config is not None:
        settings = load(known.config, os.environ)
        said = ["--broker-port", str(settings.mqtt.port), "--web-port", str(settings.web.port)]
    return cli.demo([*said, *known.rest])


def _problem(*lines: str) -> int:
    for line in lines:
        print(f"earlybell: {line}", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
