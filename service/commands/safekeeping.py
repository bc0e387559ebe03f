"""The commands that keep the store safe and small: ``backup``, ``restore``, ``prune``."""

from __future__ import annotations

import argparse
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from service.bootstrap import wall_clock
from service.commands.common import Adding, open_it, problem, settings_of
from service.domain.hourly import HOUR
from service.domain.model import to_rfc3339
from service.ports import StoreError, StoreRevisionError
from service.store import (
    BackupError,
    back_up,
    check_backup,
    dated,
    file_of,
    free_inside,
    must_not_be_used,
    prunable,
    restore,
    rotate,
    shrink,
    take_over,
)
from service.usecases.rollup import keep_from, rolled_until

DAY = 24 * HOUR
_MOST_DAYS = 3650
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
    command = commands.add_parser(
        "prune", parents=[common], help="forget now what the night would, also while the service runs"
    )
    command.add_argument("--dry-run", action="store_true", help="only say what would go")
    command.add_argument(
        "--keep-days", type=int, metavar="N", help="of events, instead of store.keep_events_days"
    )
    command.add_argument(
        "--shrink",
        action="store_true",
        help="then give what is free in an SQLite file back to the disk; the service must not run",
    )
    command.set_defaults(run=_prune)


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
            target = dated(target, wall_clock(), settings.share) if folder else target
            done = back_up(settings.store.url.get_secret_value(), target, shard=settings.share)
            gone = () if known.keep is None else rotate(known.file, known.keep, settings.share)
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


def _prune(known: argparse.Namespace) -> int:
    settings, now = settings_of(known), wall_clock()
    kept, file = settings.store, file_of(settings.store.url.get_secret_value())
    days = kept.keep_events_days if known.keep_days is None else known.keep_days
    if not 1 <= days <= _MOST_DAYS:
        return problem(f"--keep-days: from 1 to {_MOST_DAYS}")
    if known.shrink and (known.dry_run or file is None):
        return problem("--shrink: goes with an SQLite store, without --dry-run; PostgreSQL does it by itself")
    stays = None if kept.keep_stays_days is None else now - kept.keep_stays_days * DAY
    try:
        if known.shrink and file is not None:
            must_not_be_used(file)
        store = open_it(settings, migrate=False)
        try:
            mark = rolled_until(store.hours, store.archive)
            before = keep_from(mark, now - days * DAY, at_most=kept.hold_events_days * DAY)
            found = prunable(store.database, before, stays)
            if not known.dry_run:
                store.ledger.prune(before=before, stays_before=stays)
        finally:
            store.close()
        print(f"{'would go' if known.dry_run else 'gone'}: what is older than {to_rfc3339(before)}")
        if before < now - days * DAY:
            print("  (what is younger than that is held until hourly figures are made of it)")
        for name, what in found.items():
            print(f"  {name}: {what.rows} rows, {what.size / 2**20:.1f} MB")
        if file is not None:
            _say_room(file, shrinking=known.shrink)
    except (*_WRONG, OSError, sqlite3.Error) as error:
        return problem(*str(error).splitlines())
    return 0


def _say_room(path: Path, *, shrinking: bool) -> None:
    if shrinking:
        print(f"{path} is {shrink(path) / 2**20:.1f} MB smaller")
    else:
        print(f"free in {path} for what comes: {free_inside(path) / 2**20:.1f} MB; --shrink gives it back")
