"""Whether this machine's clock is right, by those who know another: the database, the page's own address."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from zoneinfo import ZoneInfo, available_timezones

from sqlalchemy import Connection

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import SECOND, Instant, to_datetime
from service.ports import StoreError
from service.store.lease import now_of

AREA = "clock"
CLOSE, FAR = 2 * SECOND, 30 * SECOND
"""Apart by less: nothing is made of it. By more than ``FAR``: times on the page and in messages mislead."""
_MEND = "let a time service set both clocks (chrony, systemd-timesyncd), and see that it does"
_FIRST_SANE = 1_767_225_600 * SECOND
"""2026-01-01: a machine that says an earlier time has lost its clock."""


def clock(case: Case) -> Iterator[Finding]:
    now, zone = case.clock(), case.settings.site.timezone
    if now < _FIRST_SANE:
        yield wrong(AREA, f"this machine says that it is {to_datetime(now):%Y-%m-%d}", _MEND)
    local = to_datetime(now).astimezone(ZoneInfo(zone))
    yield good(AREA, f"it is {local:%Y-%m-%d %H:%M:%S} in {zone} ({len(available_timezones())} zones known)")
    if zone == "UTC" and (case.settings.shifts or case.settings.duties):
        yield look(AREA, "shifts and duties are told in UTC", "set site.timezone unless that is meant")
    yield from _database(case)
    yield from _stations(case)
    yield from synchronised(case.environment.get("PATH"))


def _database(case: Case) -> Iterator[Finding]:
    store = case.store()
    if store is None or case.store_file is not None:
        return

    def both(connection: Connection) -> tuple[Instant, Instant, Instant]:
        before = case.clock()
        return before, now_of(connection), case.clock()

    try:
        before, theirs, after = store.database.read(both)
    except StoreError:
        return
    yield apart("the database server", theirs, before, after)


def apart(whose: str, theirs: Instant, before: Instant, after: Instant) -> Finding:
    """Another's clock, asked between two looks at ours."""
    if before - CLOSE <= theirs <= after + CLOSE:
        return good(AREA, f"agrees with {whose}")
    seconds = (theirs - after if theirs > after else theirs - before) / SECOND
    how = f"{abs(seconds):.0f} s {'ahead of' if seconds > 0 else 'behind'} ours"
    if abs(seconds) * SECOND >= FAR:
        return wrong(AREA, f"the clock of {whose} is {how}", _MEND)
    return look(AREA, f"the clock of {whose} is {how}", _MEND)


def _stations(case: Case) -> Iterator[Finding]:
    off = sorted(f"{each.line}/{each.station}" for each in case.stations() or () if each.clock_flagged)
    if off:
        more = f" and {len(off) - 5} more" if len(off) > 5 else ""
        yield look(
            AREA,
            f"clocks of stations that aren't believed: {', '.join(off[:5])}{more}",
            "set the clocks of their gateways; meanwhile the time of arrival counts",
        )


def synchronised(path: str | None) -> Iterator[Finding]:
    """Whether systemd knows that a time service keeps the clock right; elsewhere nobody tells."""
    program = shutil.which("timedatectl", path=path)
    if program is None:
        return
    try:
        done = subprocess.run(  # noqa: S603 (found on the path, no words of others)
            [program, "show", "--property=NTPSynchronized", "--value"],
            capture_output=True,
            timeout=2,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except (OSError, subprocess.TimeoutExpired):
        return
    answer = done.stdout.decode("ascii", "replace").strip()
    yield from told(answer)


def told(answer: str) -> Iterator[Finding]:
    if answer == "yes":
        yield good(AREA, "a time service keeps it right")
    elif answer == "no":
        yield look(AREA, "no time service keeps it right", "turn one on: timedatectl set-ntp true")
