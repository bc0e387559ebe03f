"""The commands that keep the store safe: ``backup``, ``restore``."""

from __future__ import annotations

import argparse
from pathlib import Path

from service.bootstrap import wall_clock
from service.commands.common import Adding, problem, settings_of
from service.ports import StoreError, StoreRevisionError
from service.store import BackupError, back_up, restore


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    for name, run, what in (
        ("backup", _backup, "copy the store into FILE, also while the service runs"),
        ("restore", _restore, "put a backup back; the service must not run"),
    ):
        command = commands.add_parser(name, parents=[common], help=what)
        command.add_argument("file", type=Path, metavar="FILE")
        command.set_defaults(run=run)
        if name == "restore":
            command.add_argument("--force", action="store_true", help="put the store there is out of the way")


def _backup(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    try:
        done = back_up(settings.store.url.get_secret_value(), known.file)
    except (BackupError, StoreError, StoreRevisionError) as error:
        return problem(*str(error).splitlines())
    print(f"backup: {known.file}, revision {done.revision}, {done.position} journal entries, checked")
    return 0


def _restore(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    try:
        done = restore(settings.store.url.get_secret_value(), known.file, force=known.force, now=wall_clock())
    except (BackupError, StoreError, StoreRevisionError) as error:
        return problem(*str(error).splitlines())
    print(f"restored: revision {done.revision}, {done.position} journal entries")
    if done.set_aside:
        print(f"{done.set_aside} deliveries that waited then are not sent again; they are listed as dead")
    if done.replaced is not None:
        print(f"the store before is kept as {done.replaced}")
    return 0
