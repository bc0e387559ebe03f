"""The commands around the service itself: ``run``, ``upgrade-store``, ``check``."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

from service import outside
from service.bootstrap import Service, wall_clock
from service.commands import sampled
from service.commands.common import Adding, problem, settings_of
from service.domain.model import Level, to_datetime
from service.domain.policy import Policy
from service.domain.who import WEEK, spans, supposed
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
        command = commands.add_parser(name, parents=[common], help=what)
        command.set_defaults(run=run)
        if name == "check":
            sampled.add_options(command)


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
    if known.sample is not None:
        return sampled.explain(known, settings)
    if found := outside.problems(settings):
        return problem(*found)
    print(
        f"configuration: good ({len(settings.outlets)} outlets, {len(settings.slots)} slot rules,"
        f" {len(settings.counting)} sources beside [mqtt], {len(settings.on_trial)} on trial)"
    )
    for name in (each.name for each in settings.outlets if each.name not in outside.routed(settings)):
        print(f"outlets: no route leads to {name}, it hears nothing")
    for line in _unheard(settings.policy()):
        print(f"people: {line}")
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


def _unheard(policy: Policy) -> Iterator[str]:
    """When in the coming week nobody would hear that a tape ran out; good to know, no problem."""
    if not policy.outlets:
        yield "no outlet is configured, warnings stand on the page alone"
        return
    now, zone = wall_clock(), ZoneInfo(policy.timezone)
    for line in sorted({each.line or "*" for each in policy.routes} or {"*"}):
        notice = supposed(line=line, station=None, kind="tape", level=Level.EMPTY, boundary_only=None, at=now)
        for each in spans(policy, notice, now, now + WEEK):
            if not each.outlets:
                begin, end = (to_datetime(at).astimezone(zone) for at in (each.since, each.until))
                yield f"nobody hears of a tape on line {line} from {begin:%a %H:%M} to {end:%a %H:%M}"
