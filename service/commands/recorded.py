"""The command that says what a recording would have been told: ``forecast``."""

from __future__ import annotations

import argparse
from pathlib import Path

from service.commands.common import Adding, problem, settings_of
from service.desk import Unfit
from service.recordings import print_outlooks
from service.usecases.foretell import Wanted


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser("forecast", parents=[common], help="every outlook that a recording gives")
    command.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="CloudEvents, one a line, as /events gives them, or topics with payloads; .gz; -",
    )
    command.add_argument("--slots", default="*", metavar="PATTERN", help="only line/station/slot like this")
    command.add_argument("--every", type=int, default=1, metavar="N", help="a slot every N panels (1)")
    command.set_defaults(run=_forecast)


def _forecast(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    wanted = Wanted(slots=known.slots, every=known.every, root=settings.mqtt.floor_root)
    try:
        print_outlooks(known.file, settings.policy(), wanted)
    except Unfit as error:
        return problem(f"{known.file}: {error}")
    return 0
