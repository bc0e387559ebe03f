"""What a station's sources last said beyond counts: how their clocks go, and what its tower shows."""

from __future__ import annotations

import msgspec

from service.domain.model import Instant


class SourceClock(msgspec.Struct, array_like=True):
    """One source of messages against our clock: ``offset`` is what to add to its times, ``heard`` when it
    last said one that was believed."""

    offset: Instant | None = None
    heard: Instant | None = None
    flagged: bool = False


class Source(msgspec.Struct, array_like=True, frozen=True):
    """Where a station's counts come from (``""``: the broker of ``[mqtt]``); since when that isn't heard, and
    since when again."""

    name: str = ""
    silent: Instant | None = None
    back: Instant | None = None


class TowerState(msgspec.Struct, array_like=True):
    lamps: dict[str, str]
    buzzer: str
    slots: list[str]
    reading: str
    since: Instant
