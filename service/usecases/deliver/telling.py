"""What a delivery says when it is sent: its own change in time, what is true by then when it is late. Pure.

What opened and closed while it waited is never told as closed alone. Where each change is a message of its
own the opening goes first, with the notice as it is by then, and the closing behind it; where one message may
bundle several changes it says both, and the closing is not sent again.
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


def telling(delivery: Delivery) -> Telling:
    latest, own = delivery.latest, delivery.notice
    late = delivery.attempts > 1 or delivery.claimed_at - delivery.created_at >= LATE
    if not late or latest is None or latest.version <= own.version:
        return Telling(change=delivery.change, notice=own)
    if delivery.change is Change.OPENED:
        change = Change.OPENED
    elif latest.state == NoticeState.CLOSED:
        change = Change.CLOSED
    else:
        change = Change.CHANGED  # perhaps it was closed, and is open again
    return Telling(change=change, notice=latest, replaces=own.version)
