"""What it takes to listen to a broker from a page, and to try a draft out against what is said there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

Json = dict[str, Any]
LONGEST = 600
"""Seconds of one listening; and of one trial, unless somebody ends it before."""


class Busy(Exception):
    """One listening and one trial at a time."""


class NotOurs(Exception):
    """A draft leads to a broker that the configuration doesn't know: a page can't choose whom we call."""


class Overhearing(Protocol):
    """Safe from any thread; nothing of it waits for a broker. Nothing here counts anywhere."""

    def brokers(self) -> Sequence[Json]:
        """Where one may listen: ``at`` (``mqtt`` or a source's name) and the host it ``leads_to``."""
        ...

    def listen(self, *, at: str, topics: Sequence[str], seconds: int, births: bool = False) -> None:
        """Begin. ``births``: ask Sparkplug nodes for theirs, the one thing that is then said.
        ``KeyError``: no such broker; ``Busy``."""
        ...

    def overheard(self) -> Json:
        """How the last listening stands, and what it found so far: ``state`` (``none``, ``listening``,
        ``done``, ``failed``), ``at``, ``since``, ``seconds``, ``messages``, ``trouble``, ``found``,
        ``draft``."""
        ...

    def stop_listening(self) -> None: ...

    def try_out(self, draft: str) -> None:
        """Hear what the sources of a draft would count. Raises ``SettingsError``'s lines as ``Unfit``;
        ``NotOurs``, ``Busy``."""
        ...

    def tried(self) -> Json:
        """``state`` (``none``, ``trying``, ``done``), ``since``, and ``trials``: figures of each source."""
        ...

    def stop_trying(self) -> None: ...
