"""A check-up of an installation: what is asked of each part of it, at once and within some seconds.

It looks where the service would go, with what the service would say, and leaves no trace: nothing is sent to
people, no session is taken or left, nothing is migrated. An area is a function in the list here.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial

from service.checkup.accounts import access
from service.checkup.brokers import main, source
from service.checkup.case import Case
from service.checkup.certificates import files
from service.checkup.clock import clock
from service.checkup.configuration import settings
from service.checkup.deliveries import deliveries
from service.checkup.disk import disk
from service.checkup.finding import Finding, State, worst, wrong
from service.checkup.outlets import heartbeat, outlet
from service.checkup.page import page
from service.checkup.secret_files import secrets
from service.checkup.stores import store
from service.checkup.versions import versions

__all__ = ["Case", "Finding", "State", "check_up", "worst"]

WITHIN = 12.0
"""Seconds for all areas together."""
Area = Callable[[Case], Iterable[Finding]]


def areas(case: Case) -> Iterator[tuple[str, Area]]:
    """What is looked at, in the order in which it is told."""
    yield "configuration", settings
    yield "broker", main
    for each in case.settings.sources:
        yield f"source {each.name}", partial(source, each=each)
    yield "store", store
    for way in case.settings.outlets:
        yield f"outlet {way.name}", partial(outlet, each=way)
    yield "deliveries", deliveries
    yield "heartbeat", heartbeat
    yield "page", page
    yield "certificate", files
    yield "access", access
    yield "secrets", secrets
    yield "clock", clock
    yield "disk", disk
    yield "versions", versions


def check_up(case: Case, *, within: float = WITHIN) -> Sequence[Finding]:
    """All findings, by area. What isn't there ``within`` so many seconds is a finding itself; threads that
    wait for something that never answers are left behind."""
    until = time.monotonic() + within
    visits = [_Visit(name, area, case) for name, area in areas(case)]
    for visit in visits:
        visit.start()
    found = [each for visit in visits for each in visit.end(until)]
    case.close()
    return found


class _Visit(threading.Thread):
    """One area, looked at in a thread of its own."""

    def __init__(self, name: str, area: Area, case: Case) -> None:
        super().__init__(name=f"check {name}", daemon=True)
        self._about = name
        self._area = area
        self._case = case
        self._found: list[Finding] = []

    def run(self) -> None:
        try:
            for each in self._area(self._case):
                self._found.append(each)
        except Exception as error:  # one area that fails hides no other; its text might hold a secret
            self._found.append(
                wrong(
                    self._about,
                    f"couldn't be looked at: unexpected {type(error).__name__}",
                    "this is a defect of the program: report it with its version and this line",
                )
            )

    def end(self, until: float) -> Sequence[Finding]:
        self.join(max(0.0, until - time.monotonic()))
        found = list(self._found)
        if self.is_alive():
            found.append(
                wrong(
                    self._about,
                    "no end within the time that a check may take",
                    "see whether it hangs elsewhere",
                )
            )
        return found
