"""The commands that read a recording: ``replay``, ``forecast``."""

from __future__ import annotations

import argparse
from pathlib import Path

from service.commands.common import Adding, problem, settings_of
from service.desk import Unfit
from service.domain.model import to_rfc3339
from service.ports import StoreError, StoreRevisionError
from service.recordings import print_outlooks
from service.store import open_store
from service.usecases.foretell import Wanted
from service.usecases.replay import replay


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser("replay", parents=[common], help="a recorded journal into an empty store")
    command.add_argument(
        "file", type=Path, metavar="FILE", help="CloudEvents, one a line, as /events gives them"
    )
    command.add_argument("--batch", type=int, default=200, metavar="N", help="entries a commit (200)")
    command.set_defaults(run=_replay)
    command = commands.add_parser("forecast", parents=[common], help="every outlook that a recording gives")
    command.add_argument("file", type=Path, metavar="FILE", help="the same, or topics with payloads; .gz; -")
    command.add_argument("--slots", default="*", metavar="PATTERN", help="only line/station/slot like this")
    command.add_argument("--every", type=int, default=1, metavar="N", help="a slot every N panels (1)")
    command.set_defaults(run=_forecast)


def _replay(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    if known.batch < 1:
        return problem("--batch: at least 1")
    try:
        store = open_store(settings.store.url.get_secret_value(), migrate=True)
        with known.file.open("rb") as lines:
            done = replay(lines, store.ledger, batch=known.batch)
        store.close()
    except (OSError, StoreError, StoreRevisionError, Unfit) as error:
        return problem(f"{known.file}: {error}")
    span = (
        ""
        if done.first is None or done.last is None
        else (f" from {to_rfc3339(done.first)} to {to_rfc3339(done.last)}")
    )
    print(f"replayed {done.entries} entries{span}: {done.told} changes of notices")
    return 0


def _forecast(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    wanted = Wanted(slots=known.slots, every=known.every, root=settings.mqtt.floor_root)
    try:
        print_outlooks(known.file, settings.policy(), wanted)
    except Unfit as error:
        return problem(f"{known.file}: {error}")
    return 0
