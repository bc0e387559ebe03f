"""What a delivery says when it is sent: its own change in time, what is true by then when it is late. Pure.

What opened and closed while it waited is never told as closed alone. Where each change is a message of its
own the opening goes first, with the notice as it is by then, and the closing behind it. Where one message may
bundle several changes it says what is true, in time or late: both when the opening may have been heard of,
nothing at all when nobody tried to say it (``is_moot``).
"""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.model import SECOND, Change, Notice, NoticeState
from service.ports import Delivery

LATE = 10 * SECOND
"""After its commit; a first attempt that begins before tells its own change, whatever has come since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """What a delivery says when it is sent. ``replaces`` is the version it was written for, when the notice
    has moved on since."""

    change: Change
    notice: Notice
    replaces: int | None = None

    @property
    def unheard(self) -> bool:
        """It is closed, and the receiver hasn't heard yet that it was open."""
        late = self.replaces is not None
        return late and self.change is Change.OPENED and self.notice.state == NoticeState.CLOSED

    def covers(self, *, bundles: bool) -> int:
        """The newest version that need not be told any more after this; an opening leaves the closing."""
        return self.notice.version if bundles or not self.unheard else self.notice.version - 1


def telling(delivery: Delivery, *, bundles: bool = False) -> Telling:
    latest, own = delivery.latest, delivery.notice
    late = bundles or delivery.attempts > 1 or delivery.claimed_at - delivery.created_at >= LATE
    if not late or latest is None or latest.version <= own.version:
        return Telling(change=delivery.change, notice=own)
    return Telling(change=_late(delivery.change, latest), notice=latest, replaces=own.version)


def _late(change: Change, latest: Notice) -> Change:
    if change is Change.OPENED or (change is Change.REMINDED and _calls(latest)):
        return change
    if latest.state == NoticeState.CLOSED:
        return Change.CLOSED
    return Change.CHANGED  # perhaps it was closed, and is open again


def is_moot(delivery: Delivery) -> bool:
    """Where messages bundle: it need not be told any more. It opened and closed before anybody tried to say
    so, or it was to remind of what calls for nobody by now (that it was taken or closed is told for itself).
    """
    now = delivery.latest or delivery.notice
    if delivery.change is Change.REMINDED:
        return not _calls(now)
    untold = delivery.change is Change.OPENED and delivery.attempts == 1
    return untold and now.state == NoticeState.CLOSED


def _calls(notice: Notice) -> bool:
    return notice.state == NoticeState.OPEN
