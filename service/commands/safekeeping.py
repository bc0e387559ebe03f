"""The commands that keep the store safe: ``backup``, ``restore``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from service.bootstrap import wall_clock
from service.commands.common import Adding, problem, settings_of
from service.ports import StoreError, StoreRevisionError
from service.store import BackupError, back_up, check_backup, dated, restore, rotate, take_over

_WRONG = (BackupError, StoreError, StoreRevisionError)


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "backup", parents=[common], help="copy the store, also while the service runs, and compare the copy"
    )
    command.add_argument("file", type=Path, metavar="FILE", help="or a folder: a file named after the moment")
    what = command.add_mutually_exclusive_group()
    what.add_argument("--keep", type=int, metavar="N", help="of a folder's backups only the newest N")
    what.add_argument("--check", action="store_true", help="only look whether FILE is a sound backup")
    command.set_defaults(run=_backup)
    command = commands.add_parser(
        "restore", parents=[common], help="put a backup back; no instance of the service may run"
    )
    command.add_argument("file", type=Path, metavar="FILE", nargs="?")
    command.add_argument("--force", action="store_true", help="put the store there is out of the way")
    command.add_argument(
        "--in-place",
        action="store_true",
        help="instead of a FILE: the store was put back by other means, such as pg_restore",
    )
    command.set_defaults(run=_restore)


def _backup(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    target, folder = known.file, known.file.is_dir()
    if known.keep is not None and (known.keep < 1 or not folder):
        return problem(f"--keep: wants a number of at least 1, and a folder that is there, not {target}")
    gone: Sequence[Path] = ()
    try:
        if known.check:
            done = check_backup(target)
        else:
            target = dated(target, wall_clock()) if folder else target
            done = back_up(settings.store.url.get_secret_value(), target, shard=settings.share)
            gone = () if known.keep is None else rotate(known.file, known.keep)
    except (*_WRONG, OSError) as error:
        return problem(*str(error).splitlines())
    print(
        f"backup: {target}, revision {done.revision}, {done.position} journal entries,"
        f" {done.rows['state']} states, {done.rows['notice']} notices, checked"
    )
    for each in gone:
        print(f"deleted: {each}")
    return 0


def _restore(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    url = settings.store.url.get_secret_value()
    if known.in_place == (known.file is not None):
        return problem("restore: wants a FILE, or --in-place when the store was put back by other means")
    try:
        if known.in_place:
            done = take_over(url, now=wall_clock(), shard=settings.share)
        else:
            share, now = settings.share, wall_clock()
            done = restore(url, known.file, force=known.force, now=now, shard=share)
    except _WRONG as error:
        return problem(*str(error).splitlines())
    print(f"restored: revision {done.revision}, {done.position} journal entries")
    if done.set_aside:
        print(f"{done.set_aside} deliveries that waited then are not sent again; they are listed as dead")
    if done.replaced is not None:
        print(f"the store before is kept as {done.replaced}")
    return 0
