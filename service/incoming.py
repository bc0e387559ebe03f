"""What is known of the sources that the floor is heard from: what the page, the API and the metrics show.

Values and a port alone; nothing here listens."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from service.domain.model import Instant

State = Literal["connected", "away", "quiet", "trial", "elsewhere"]
"""``away``: its broker isn't reached; ``quiet``: it is, and says nothing; ``trial``: it counts nowhere;
``elsewhere``: another instance listens."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What came of one source since this instance listens. ``repeats`` and ``said`` (by kind) are of what its
    messages say in our words. ``per_minute``: its messages lately; ``None``: too early to tell."""

    since: Instant
    messages: int = 0
    repeats: int = 0
    refused: int = 0
    refused_at: Instant | None = None
    reason: str | None = None
    heard_at: Instant | None = None
    per_minute: float | None = None
    said: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """The stations that one source counts: line and station of each, how many of their messages are
    ``missing`` by ``seq``, how far their clocks are ahead of ours (negative: behind, or what they say takes
    time to come), in microseconds, and those with a clock that isn't believed."""

    stations: Sequence[tuple[str, str]] = ()
    missing: int = 0
    ahead: Instant | None = None
    worst: Instant | None = None
    flagged: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """One source as the instance in charge hears it. ``silent_since`` stands while it isn't heard for so long
    that people know. ``gaps``: how often its own numbering showed that
    something was missing; ``None``: its format has none."""

    connected: bool
    trouble: str | None
    silent_since: Instant | None
    heard: Heard
    counted: Counted
    gaps: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    """``topics`` are the filters it is heard by, ``leads_to`` is its broker's host. ``notice`` is the open
    one about it: that it isn't heard, else that messages are refused. ``now``: only where this instance
    listens. ``trial``: what it would have counted."""

    name: str
    format: str
    leads_to: str
    topics: Sequence[str]
    state: State
    silent_after: int | None
    notice: str | None
    now: Listening | None
    trial: Mapping[str, Any] | None


class Incoming(Protocol):
    """Safe from any thread."""

    def rows(self) -> Sequence[SourceRow]:
        """Every source of the configuration, that of ``[mqtt]`` first."""
