"""The daily sign of life: once a day, at one time on the plant's clocks, a short message that we are awake
and how things stand. Whoever misses it knows that something is wrong.

Its deliveries are rows of the outbox whose keys name the day, so that no restart says it twice or loses it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from service.domain.model import Change, Instant, Notice, NoticeState, to_rfc3339
from service.domain.said import Said, Value
from service.domain.sayings import AWAKE, day_before, day_of, moment_on, saying
from service.ports import Archive, NewDelivery


def awake(*, site: str, open_notices: int, warnings: int, troubled: Sequence[str]) -> Said:
    """The message: ``warnings`` are those of yesterday, ``troubled`` the outlets that don't deliver."""
    values: dict[str, Value] = {
        "site": site,
        "notices": Said("{number} notice open", {"number": open_notices}, many="{number} notices open"),
        "warnings": Said(
            "{number} warning yesterday", {"number": warnings}, many="{number} warnings yesterday"
        ),
        "outlets": _outlets(troubled),
    }
    return Said("Earlybell is awake at {site}: {notices}, {warnings}, {outlets}.", values)


def _outlets(troubled: Sequence[str]) -> Said:
    if not troubled:
        return Said("all outlets well")
    return Said("no message gets through by {names}", {"names": ", ".join(troubled)})


@dataclass(slots=True, kw_only=True)
class Morning:
    """Says it through ``outlets`` once a day. ``troubled`` names the outlets that don't deliver, ``add``
    enqueues; both may raise ``StoreError``."""

    wall: str
    zone: ZoneInfo
    site: str
    outlets: Sequence[str]
    archive: Archive
    troubled: Callable[[], Sequence[str]]
    add: Callable[[Sequence[NewDelivery]], object]
    said_on: str = ""
    page: int = 500

    def is_due(self, now: Instant) -> bool:
        today = day_of(now, self.zone)
        return today != self.said_on and now >= moment_on(today, self.wall, self.zone)

    def say(self, now: Instant) -> None:
        today = day_of(now, self.zone)
        self.add(self._deliveries(today, now))
        self.said_on = today

    def _deliveries(self, today: str, now: Instant) -> list[NewDelivery]:
        notice = saying(AWAKE, f"awake-{today}", self._said(now), now, site=self.site)
        return [
            NewDelivery(
                key=f"{notice.id}:{outlet}",
                outlet=outlet,
                conversation=f"{notice.id}:{outlet}",
                change=Change.CHANGED,  # an opening that is closed by now need not be told any more
                notice=notice,
                at=now,
            )
            for outlet in self.outlets
        ]

    def _said(self, now: Instant) -> Said:
        begin, end = (to_rfc3339(at) for at in day_before(now, self.zone))
        warnings = [each for each in self._opened_since(begin) if each.opened_at < end]
        return awake(
            site=self.site,
            open_notices=len(self.archive.notices(states=None, limit=100_000, after=None)),
            warnings=sum(each.kind == "supply" for each in warnings),
            troubled=self.troubled(),
        )

    def _opened_since(self, begin: str) -> Iterator[Notice]:
        """Newest first, read in pages."""
        after = None
        while page := self.archive.notices(states=list(NoticeState), limit=self.page, after=after):
            for notice in page:
                if notice.opened_at < begin:
                    return
                yield notice
            after = page[-1].id
