"""Notices and deliveries of an invented plant, ready made; every field can be given."""

from __future__ import annotations

from typing import Any

import msgspec

from service.domain.model import Change, Notice, Spread
from service.ports import Delivery, NewDelivery

AT = 1_772_432_047_250_000
"""2026-03-02T06:14:07.250Z."""

LOW = Notice(
    id="n7c1",
    kind="supply",
    line="L3",
    station="P1",
    slot="T2",
    part="MCU-48Q",
    supply_kind="tray",
    boundary_only=True,
    level="early",
    state="open",
    opened_at="2026-03-02T06:14:07.250Z",
    changed_at="2026-03-02T06:14:07.250Z",
    panels_to_empty=Spread(8, 9, 11),
    empty_at=Spread("2026-03-02T06:22:00.000Z", "2026-03-02T06:23:30.000Z", "2026-03-02T06:26:00.000Z"),
    message="L3 P1 T2 lasts 9 more panels",
    loading="L3/P1/T2/3f0c",
)


def notice(**fields: Any) -> Notice:
    return msgspec.structs.replace(LOW, **fields)


def urgent(**fields: Any) -> Notice:
    return notice(**{"level": "urgent", "panels_to_empty": Spread(2, 2, 3), "version": 2} | fields)


def closed(**fields: Any) -> Notice:
    said = {"state": "closed", "closed_because": "refilled", "version": 3}
    return notice(**said | {"closed_at": "2026-03-02T06:20:00.000Z"} | fields)


def delivery(**fields: Any) -> Delivery:
    said: dict[str, Any] = {
        "id": 1,
        "key": "n7c1:1:hook",
        "outlet": "hook",
        "conversation": "n7c1:hook",
        "change": Change.OPENED,
        "notice": LOW,
        "latest": None,
        "attempts": 1,
        "created_at": AT,
        "claimed_at": AT,
    }
    return Delivery(**said | fields)


def new_delivery(about: Notice, *, outlet: str = "hook", at: int = AT) -> NewDelivery:
    change = (
        Change.CLOSED if about.state == "closed" else Change.OPENED if about.version == 1 else Change.CHANGED
    )
    return NewDelivery(
        key=f"{about.id}:{about.version}:{outlet}",
        outlet=outlet,
        conversation=f"{about.id}:{outlet}",
        change=change,
        notice=about,
        at=at,
    )
