"""The commands around the service itself: ``run``, ``upgrade-store``."""

from __future__ import annotations

import argparse

from service import runtime
from service.bootstrap import Service, wall_clock
from service.commands.common import Adding, problem, settings_of
from service.outlets import OutletError
from service.ports import StoreError, StoreRevisionError
from service.store import forget, register, upgrade
from service.tls import TlsFileError
from service.web.server import AddressTakenError


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    for name, run, what in (
        ("run", _run, "listen, forecast, warn and serve the page"),
        ("upgrade-store", _upgrade, "bring the store's schema to this program's revision"),
    ):
        command = commands.add_parser(name, parents=[common], help=what)
        command.set_defaults(run=run)
        if name == "upgrade-store":
            command.add_argument(
                "--forget-shard", metavar="NAME", help="instead: this shard is no more, others get its lines"
            )


def _run(known: argparse.Namespace) -> int:
    if known.environment.get("WEB_CONCURRENCY", "1") not in ("", "0", "1"):
        return problem("WEB_CONCURRENCY: one process only, the owner of the state can't be two")
    settings = settings_of(known)
    runtime.be_sparing(known.environment)
    try:
        service = Service(settings)
    except (AddressTakenError, OutletError, StoreError, StoreRevisionError, TlsFileError) as error:
        return problem(str(error))
    runtime.be_prompt()
    return service.run()


def _upgrade(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    url, share = settings.store.url.get_secret_value(), settings.share
    try:
        if known.forget_shard is not None:
            return _forget(url, known.forget_shard)
        done = upgrade(url) if share is None else register(url, share, now=wall_clock())
        before = "nothing" if done.before is None else f"revision {done.before}"
        print(f"store: revision {done.after}" + ("" if done.before == done.after else f", was {before}"))
        if share is not None:
            print(f"shard {share.name}: registered with the lines {', '.join(share.lines)}")
    except (StoreError, StoreRevisionError) as error:
        return problem(str(error))
    return 0


def _forget(url: str, name: str) -> int:
    try:
        lines = forget(url, name)
    except KeyError:
        return problem(f"no shard {name} is registered")
    print(f"shard {name}: no longer registered; its schema stays as it is")
    for line in lines:
        print(f"line {line}: its history stays there, whoever has it now begins anew")
    return 0
