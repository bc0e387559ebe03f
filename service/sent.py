"""What was sent to whom, as it is read from the store and shown against the message budget. Nothing here does
anything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import msgspec

from service.domain.model import Change, Instant


class About(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What a notice is about, and how bad. A month may have a hundred thousand rows."""

    notice: str
    kind: str
    line: str | None
    station: str | None
    slot: str | None
    about: str | None
    level: str
    message: str

    @property
    def source(self) -> str:
        """What it is about, the same for each emptying of a slot."""
        where = f"{self.line or ''}\x1f{self.station or ''}\x1f{self.slot or ''}"
        return f"{self.kind}\x1f{where}\x1f{self.about or ''}"


class SentRow(msgspec.Struct, frozen=True, kw_only=True):
    """A change that an outlet was to tell, when that was over. ``sent``: it went out; rows of one outlet that
    went out at the same moment are one message. ``calls``: the notice was open, so it called for somebody.
    ``hears``: the people whom it was for; none named: all who have the outlet."""

    outlet: str
    sent: bool
    at: Instant
    written_at: Instant
    change: Change
    version: int
    reminded: int
    calls: bool
    about: About
    hears: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeRow:
    """A notice that is open, or was closed."""

    about: About
    opened_at: Instant
    closed_at: Instant | None
    closed_because: str | None


class Sent(Protocol):
    """The store's side; from any thread. May raise ``StoreError``."""

    def sent(self, *, since: Instant, until: Instant) -> Sequence[SentRow]:
        """All that was over from ``since`` to before ``until``, in order."""
        ...

    def lives(self, *, since: Instant) -> Sequence[NoticeRow]:
        """The notices that are open now or were closed since."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Lately:
    """The last hour's messages by outlet, who is in a flood, and how many notices are stale or chatter."""

    messages: Mapping[str, int]
    floods: Mapping[str, bool]
    stale: int
    chattering: int


class Budgeting(Protocol):
    """What page, API and metrics show of it. May raise ``StoreError``."""

    def shown(self, *, since: Instant | None, until: Instant | None) -> dict[str, object]:
        """The budget of that time; the last 24 hours, from the full hour on, unless said. ``ValueError``
        says what doesn't fit."""
        ...

    def lately(self) -> Lately: ...
