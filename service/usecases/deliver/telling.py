"""What a delivery says when it is sent: its own change at first, what is true by then later. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.model import Change, Notice, NoticeState
from service.ports import Delivery


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """What a delivery says when it is sent. ``replaces`` is the version it was written for, when the notice
    has moved on since."""

    change: Change
    notice: Notice
    replaces: int | None = None


def telling(delivery: Delivery) -> Telling:
    """The first attempt tells its own change; a later one tells what is true by then."""
    latest, own = delivery.latest, delivery.notice
    if delivery.attempts <= 1 or latest is None or latest.version <= own.version:
        return Telling(change=delivery.change, notice=own)
    if latest.state == NoticeState.CLOSED:
        change = Change.CLOSED
    elif delivery.change is Change.CLOSED:
        change = Change.CHANGED  # it was closed, and is open again
    else:
        change = delivery.change
    return Telling(change=change, notice=latest, replaces=own.version)
