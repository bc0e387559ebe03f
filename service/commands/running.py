"""The commands around the service itself: ``run``, ``upgrade-store``, ``check``."""

from __future__ import annotations

import argparse
from pathlib import Path

from service import outside
from service.bootstrap import Service
from service.commands.common import Adding, problem, settings_of
from service.outlets import OutletError
from service.ports import StoreError, StoreRevisionError
from service.store import open_store, upgrade
from service.tls import TlsFileError
from service.web.server import AddressTakenError


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    for name, run, what in (
        ("run", _run, "listen, forecast, warn and serve the page"),
        ("upgrade-store", _upgrade, "bring the store's schema to this program's revision"),
        ("check", _check, "check configuration and store, and say what to do"),
    ):
        commands.add_parser(name, parents=[common], help=what).set_defaults(run=run)


def _run(known: argparse.Namespace) -> int:
    if int(known.environment.get("WEB_CONCURRENCY", "1") or 1) > 1:
        return problem("WEB_CONCURRENCY: one process only, the owner of the state can't be two")
    settings = settings_of(known)
    try:
        service = Service(settings)
    except (AddressTakenError, OutletError, StoreError, StoreRevisionError, TlsFileError) as error:
        return problem(str(error))
    return service.run()


def _upgrade(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    try:
        done = upgrade(settings.store.url.get_secret_value())
        before = "nothing" if done.before is None else f"revision {done.before}"
        print(f"store: revision {done.after}" + ("" if done.before == done.after else f", was {before}"))
    except (StoreError, StoreRevisionError) as error:
        return problem(str(error))
    return 0


def _check(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    if found := outside.problems(settings):
        return problem(*found)
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
        return problem(f"store: {error}")
    return 0
