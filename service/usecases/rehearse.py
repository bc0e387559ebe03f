"""Trying an outlet out: the test message, sending it, and invented notices to see what it would say."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

import msgspec

from service.domain.model import SECOND, Change, Instant, Notice, Spread, to_rfc3339
from service.domain.said import Said
from service.domain.sayings import TEST, saying
from service.outgoing import Tested
from service.ports import Delivered, Delivery, Failed, Outlet

PATIENCE = 18.0
"""Seconds: an outlet promises to end within 15, and people wait for the answer."""


def trial(outlet: str, *, site: str, by: str | None, at: Instant) -> Delivery:
    """The delivery of a test; who gets it sees that it is one and that nobody is needed."""
    if by is None:
        said = Said("Test from Earlybell, {site}: nothing to do.", {"site": site})
    else:
        said = Said(
            "Test from Earlybell, {site}, sent by {person}: nothing to do.", {"site": site, "person": by}
        )
    return _delivery(saying(TEST, f"test{at}", said, at, site=site), Change.OPENED, outlet, at)


async def rehearse(make: Callable[[], Outlet], delivery: Delivery, *, clock: Callable[[], Instant]) -> Tested:
    """Send ``delivery`` through an outlet of its own, apart from those that are at work. Never raises, but
    for being cancelled; ``make`` may."""
    outlet = await asyncio.to_thread(make)
    began = clock()
    try:
        async with asyncio.timeout(PATIENCE):
            outcome = await outlet.send(delivery, now=began)
    except TimeoutError:
        outcome = Failed(f"no end within {PATIENCE:g} s")
    except Exception as error:  # as in the deliveries: its text might hold a secret
        outcome = Failed(f"unexpected {type(error).__name__}")
    finally:
        await outlet.close()
    return Tested(
        outlet=delivery.outlet,
        delivered=isinstance(outcome, Delivered),
        reason=outcome.reason if isinstance(outcome, Failed) else None,
        seconds=max(0, clock() - began) / SECOND,
    )


def samples(outlet: str, *, at: Instant, together: bool) -> Sequence[tuple[str, Sequence[Delivery]]]:
    """What happens to invented supplies, by name; with ``together`` several in one message too."""
    early = _early(at)
    empty = msgspec.structs.replace(early, level="empty", panels_to_empty=None, empty_at=None, version=2)
    closed = msgspec.structs.replace(
        early, state="closed", closed_because="refilled", closed_at=to_rfc3339(at), version=3
    )
    told = [
        ("early", [_delivery(early, Change.OPENED, outlet, at)]),
        ("empty", [_delivery(empty, Change.CHANGED, outlet, at)]),
        ("closed", [_delivery(closed, Change.CLOSED, outlet, at)]),
    ]
    if together:
        others = [
            msgspec.structs.replace(
                early,
                id="sample-2",
                slot="F07",
                part="R-10K-0402",
                supply_kind="tape",
                boundary_only=False,
                level="urgent",
                message="L3 P1 F07 lasts 2 more panels",
                panels_to_empty=Spread(1, 2, 3),
                empty_at=_times(at, 30, 60, 90),
            ),
            early,
        ]
        told.append(("several at once", [_delivery(each, Change.OPENED, outlet, at) for each in others]))
    return told


def _early(at: Instant) -> Notice:
    return Notice(
        id="sample",
        kind="supply",
        line="L3",
        station="P1",
        slot="T2",
        part="MCU-48Q",
        supply_kind="tray",
        boundary_only=True,
        level="early",
        state="open",
        opened_at=to_rfc3339(at),
        changed_at=to_rfc3339(at),
        panels_to_empty=Spread(8, 9, 11),
        empty_at=_times(at, 8 * 30, 9 * 30, 11 * 30),
        message="L3 P1 T2 lasts 9 more panels",
    )


def _times(at: Instant, *seconds: int) -> Spread[str]:
    return Spread(*(to_rfc3339(at + each * SECOND) for each in seconds))


def _delivery(notice: Notice, change: Change, outlet: str, at: Instant) -> Delivery:
    return Delivery(
        id=0,
        key=f"{notice.id}:{notice.version}:{outlet}",
        outlet=outlet,
        conversation=f"{notice.id}:{outlet}",
        change=change,
        notice=notice,
        latest=None,
        attempts=1,
        created_at=at,
        claimed_at=at,
    )
