"""Whether there is room: for the store as it grows, and for what is put beside it."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import SECOND, Instant
from service.ports import StoreError
from service.store.measure import OLDEST

AREA = "disk"
DAY = 24 * 3600 * SECOND
LEAST = 100_000_000
"""Bytes: the log may take 64 MB, and a slice of what is forgotten some more."""
SMALL = 1_000_000_000
SOON = 30


def disk(case: Case) -> Iterator[Finding]:
    file = case.store_file
    if file is None:
        yield good(AREA, "the store's disk is the database server's: see what watches that")
    else:
        yield from room("of the store", file.absolute().parent, _grows(case, file))
    yield from room("for temporary files", Path(tempfile.gettempdir()), None)


def room(what: str, folder: Path, a_day: float | None) -> Iterator[Finding]:
    """``a_day``: bytes that the folder takes up in a day; ``None``: nobody knows."""
    if not folder.is_dir():
        return
    usage = shutil.disk_usage(folder)
    nodes = os.statvfs(folder)
    free = f"{_gigabytes(usage.free)} of {_gigabytes(usage.total)} free"
    days = None if not a_day else usage.free / a_day
    lasts = "" if days is None else f", enough for {_days(days)} at the rate so far"
    told = f"{what} ({folder}): {free}{lasts}"
    to_do = "make room, or keep less (store.keep_events_days); a full disk stops everything"
    if usage.free < LEAST or (days is not None and days < 2):
        yield wrong(AREA, told, to_do)
    elif nodes.f_files and nodes.f_favail < 1000:
        yield wrong(AREA, f"{what} ({folder}): {nodes.f_favail} files may still be made", to_do)
    elif (usage.free < SMALL and a_day is not None) or (days is not None and days < SOON):
        yield look(AREA, told, to_do)
    else:
        yield good(AREA, told)


def _grows(case: Case, file: Path) -> float | None:
    """Bytes a day: what the file holds by the age of its oldest entry. As old as what is kept, as much is
    forgotten as comes, and the file doesn't grow."""
    store, now = case.store(), case.clock()
    if store is None:
        return None
    try:
        first: Instant | None = store.database.read(lambda asked: asked.execute(OLDEST).scalar_one_or_none())
        size = file.stat().st_size
    except (OSError, StoreError):
        return None
    if first is None or now - first < DAY // 24:
        return None
    if now - first >= case.settings.store.keep_events_days * DAY:
        return 0.0
    return size * DAY / (now - first)


def _days(days: float) -> str:
    return "years" if days > 730 else f"{days:.0f} days"


def _gigabytes(size: int) -> str:
    return f"{size / 1e9:.1f} GB"
