"""The command about the ways out: ``outlets`` lists them, tests them, and shows what they would say. It
needs no running service."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Sequence

from service import outside
from service.bootstrap import wall_clock
from service.commands.common import Adding, open_it, problem, settings_of
from service.domain.model import Instant, to_rfc3339
from service.outgoing import OutletRow, Preview, Tested
from service.outlets import OutletError
from service.ports import StoreError, StoreRevisionError
from service.settings import Settings
from service.store import file_of
from service.usecases.rehearse import rehearse, trial
from service.ways import Ways, leads_to, previews


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser("outlets", parents=[common], help="list, test and preview the ways out")
    what = command.add_mutually_exclusive_group()
    what.add_argument(
        "--test", action="append", metavar="NAME", help="send a test there now; may be repeated"
    )
    what.add_argument("--all", action="store_true", help="send a test to every outlet now")
    what.add_argument("--preview", metavar="NAME", help="show what it would say; nothing is sent")
    command.set_defaults(run=_outlets)


def _outlets(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    names = [each.name for each in settings.outlets]
    if not names:
        return problem("no outlets are configured: add an [[outlet]] to the configuration")
    wanted = names if known.all else known.test or ([known.preview] if known.preview else [])
    if unknown := [name for name in wanted if name not in names]:
        return problem(*(f"there is no outlet {name!r} (known: {', '.join(names)})" for name in unknown))
    try:
        if known.preview:
            return _preview(settings, known.preview)
        return _test(settings, wanted) if wanted else _list(settings)
    except OutletError as error:
        return problem(str(error))
    except (StoreError, StoreRevisionError) as error:
        return problem(f"store: {error}")


def _list(settings: Settings) -> int:
    file = file_of(settings.store.url.get_secret_value())
    if file is not None and not file.exists():
        for each in settings.outlets:
            print(f"{each.name}: {each.type}, {leads_to(each) or 'phones'}")
        print("store: not there yet, so nothing was sent")
        return 0
    store = open_it(settings, migrate=False)
    try:
        ways = Ways(
            settings=settings,
            port=settings.web.port,
            outbox=store.outbox,
            archive=store.archive,
            phones=store.phones,
            clock=wall_clock,
        )
        for row in ways.rows():
            print(f"{row.name}: {row.type}, {_where(row)}; {', '.join(_fares(row))}")
    finally:
        store.close()
    return 0


def _where(row: OutletRow) -> str:
    if row.phones is not None:
        return f"{row.phones} {'phone' if row.phones == 1 else 'phones'}"
    return f"{row.leads_to}" if row.recipients is None else f"{row.recipients} by {row.leads_to}"


def _fares(row: OutletRow) -> list[str]:
    """How it stands, in a few words."""
    since = "" if row.since is None else f" since {to_rfc3339(row.since)}"
    said = ["nothing sent yet" if row.state == "new" else f"{row.state}{since}"]
    said += _moment("last success", row.succeeded_at)
    said += _moment("last failure", row.failed_at, f" ({row.error})" if row.error else "")
    said += [f"{number} {what}" for number, what in ((row.waiting, "waiting"), (row.dead, "dead")) if number]
    return said + ([] if row.routed else ["no route leads there"])


def _moment(what: str, at: Instant | None, more: str = "") -> list[str]:
    return [] if at is None else [f"{what} {to_rfc3339(at)}{more}"]


def _test(settings: Settings, names: Sequence[str]) -> int:
    tested = asyncio.run(_tests(settings, names))
    for each in tested:
        how = "delivered" if each.delivered else f"not delivered, {each.reason}"
        print(f"{each.outlet}: {how} ({each.seconds:.1f} s)")
    return 0 if all(each.delivered for each in tested) else 1


async def _tests(settings: Settings, names: Sequence[str]) -> Sequence[Tested]:
    """All at once: one that hangs holds up no other."""

    def test(name: str) -> asyncio.Future[Tested]:
        delivery = trial(name, site=settings.site.name, by=None, at=wall_clock())
        going = rehearse(
            lambda: outside.outlet(settings, name, settings.web.port), delivery, clock=wall_clock
        )
        return asyncio.ensure_future(going)

    return await asyncio.gather(*(test(name) for name in names))


def _preview(settings: Settings, name: str) -> int:
    async def made() -> Sequence[Preview]:
        return await previews(outside.outlet(settings, name, settings.web.port), now=wall_clock())

    shown = asyncio.run(made())
    if not shown:
        return problem(f"outlet {name!r} can't show what it would say")
    for each in shown:
        print(f"--- {each.sample}")
        for header, value in each.shown.headers:
            print(f"{header}: {value}")
        print(f"\n{each.shown.text}\n")
    return 0
