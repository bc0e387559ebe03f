"""The ways out as people see them: what is configured, how each fares, trying one out.

A test goes through an outlet built for it alone, so it needs neither the lease nor the deliveries' event
loop, and shows what this very machine reaches.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any
from urllib.parse import urlsplit

from service import outside
from service.domain import outage
from service.domain.model import SECOND, Instant, Notice
from service.domain.traffic import NOTHING_YET, Traffic
from service.outgoing import Alive, OutletRow, Preview, Shown, Tested, TooSoon
from service.phones import Phones
from service.ports import Archive, Outbox, Outlet
from service.report import Report
from service.settings import Settings
from service.usecases.rehearse import rehearse, samples, trial

REST = 5 * SECOND
"""Between two tests of one outlet."""
LONGEST = 20 * SECOND
"""Of a test: by then it has ended."""
MOST_OPEN = 100_000


@dataclass(slots=True, kw_only=True)
class Ways:
    """``alive_now`` adds to what is configured of the signs of life how they went. ``prove`` is told that an
    outlet was seen to take messages. Without ``report`` nothing is noted."""

    settings: Settings
    port: int
    outbox: Outbox
    archive: Archive
    phones: Phones
    clock: Callable[[], Instant]
    report: Report | None = None
    prove: Callable[[str], None] = lambda _outlet: None
    alive_now: Callable[[Alive], Alive] = lambda known: known
    _free_at: dict[str, Instant] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def rows(self) -> Sequence[OutletRow]:
        now, kept, backlog = self.clock(), self.outbox.traffic(), self.outbox.backlog()
        open_now = self.archive.notices(states=None, limit=MOST_OPEN, after=None)
        about = {each.about: each for each in open_now if each.kind == outage.KIND}
        phones, routed = self.phones.counts(), outside.routed(self.settings)
        return [
            _row(
                each,
                traffic=kept.get(each.name, NOTHING_YET),
                notice=about.get(each.name),
                backlog=backlog,
                phones=phones,
                routed=each.name in routed,
                now=now,
            )
            for each in self.settings.outlets
        ]

    async def test(self, name: str, *, by: str | None) -> Tested:
        make = self._maker(name)
        self._begin(name)
        try:
            if await asyncio.to_thread(self._is_unheard, name):
                return Tested(outlet=name, delivered=False, reason="no phone hears it yet", seconds=0.0)
            delivery = trial(name, site=self.settings.site.name, by=by, at=self.clock())
            tested = await rehearse(make, delivery, clock=self.clock)
        finally:
            self._free_at[name] = self.clock() + REST
        if self.report is not None:
            self.report.tested(tested, by)
        if tested.delivered:
            self.prove(name)
        return tested

    async def preview(self, name: str) -> Sequence[Preview]:
        outlet = await asyncio.to_thread(self._maker(name))
        try:
            return await previews(outlet, now=self.clock())
        finally:
            await outlet.close()

    def alive(self) -> Alive:
        beat = self.settings.heartbeat
        return self.alive_now(
            Alive(
                leads_to=None if beat.url is None else _host(beat.url),
                every_minutes=beat.every_minutes,
                beat_at=None,
                failed_at=None,
                error=None,
                at=beat.at,
                outlets=beat.outlets or (),
                said_on=None,
            )
        )

    def _is_unheard(self, name: str) -> bool:
        """It is for phones, and there are none."""
        kind = {each.name: each.type for each in self.settings.outlets}[name]
        return kind == "push" and not self.phones.counts().get(name)

    def _maker(self, name: str) -> Callable[[], Outlet]:
        if name not in {each.name for each in self.settings.outlets}:
            raise KeyError(name)
        return lambda: outside.outlet(self.settings, name, self.port, phones=self.phones)

    def _begin(self, name: str) -> None:
        now = self.clock()
        with self._lock:
            free = self._free_at.get(name, now)
            if now < free <= now + LONGEST:  # further ahead the clock was set back
                raise TooSoon(-(-(free - now) // SECOND))
            self._free_at[name] = now + LONGEST


async def previews(outlet: Outlet, *, now: Instant) -> Sequence[Preview]:
    """Each sample as ``outlet`` would send it; none where it can't show that."""
    show = getattr(outlet, "show", None)
    if show is None:
        return []
    made = []
    for name, deliveries in samples(outlet.name, at=now, together=outlet.bundles):
        try:
            shown: Shown = await show(deliveries, now=now)
        except ValueError as error:  # a template that fails at this one alone
            shown = Shown(headers=[], text=str(error))
        made.append(Preview(sample=name, shown=shown))
    return made


def leads_to(outlet: Any) -> str | None:
    """Where an outlet leads, without what is secret about it: a chat's address carries its key."""
    match outlet.type:
        case "email":
            return _host(outlet.smtp_url)
        case "push":
            return None
        case "other":
            schemes = dict.fromkeys(urlsplit(each.get_secret_value()).scheme for each in outlet.urls)
            return ", ".join(f"{each}://" for each in schemes)
        case _:
            return _host(outlet.url)


def _host(secret: Any) -> str:
    return urlsplit(secret.get_secret_value()).hostname or ""


def _row(
    outlet: Any,
    *,
    traffic: Traffic,
    notice: Notice | None,
    backlog: Mapping[tuple[str, str], int],
    phones: Mapping[str, int],
    routed: bool,
    now: Instant,
) -> OutletRow:
    name = outlet.name
    return OutletRow(
        name=name,
        type=outlet.type,
        leads_to=leads_to(outlet),
        recipients=len(outlet.to) if outlet.type == "email" else None,
        state=outage.state_of(traffic, notice, now),
        since=traffic.failing_since,
        paused_until=traffic.paused_until if now < traffic.paused_until else None,
        succeeded_at=traffic.succeeded_at,
        failed_at=traffic.failed_at,
        error=traffic.error,
        waiting=backlog.get((name, "waiting"), 0) + backlog.get((name, "sending"), 0),
        dead=backlog.get((name, "dead"), 0),
        phones=phones.get(name, 0) if outlet.type == "push" else None,
        routed=routed,
        notice=None if notice is None else notice.id,
    )
