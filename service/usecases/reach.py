"""Which sources aren't heard: a broker that isn't reached, a source that has something to say and doesn't.

Works on the moments it is handed and has no clock of its own. What it answers goes the way of every event, so
that a replay knows it; what is known of before is taken from the world."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.domain.events import GatewayReport
from service.domain.model import Instant
from service.usecases.hearing import LONGEST_GAP

AWAY = 60.0
"""Seconds: a broker that starts anew, or a switch, is back by then."""
Reason = Literal["away", "quiet"]
Moment = tuple[Instant, float]


@dataclass(slots=True)
class _Source:
    """``reached`` and ``said``: when it last was, by our clock and by a steady one."""

    reached: Moment
    said: Moment
    messages: int


class _Silence(NamedTuple):
    """``None`` where a start of ours lies between."""

    reason: Reason | None
    since: Instant | None


class Reach:
    """``look`` about once a second."""

    def __init__(
        self,
        quiet_after: Mapping[str, float | None],
        silent: Mapping[str, Instant | None],
        *,
        away: float = AWAY,
    ) -> None:
        """``quiet_after``: every source, and after how many seconds its silence is news (``None``: never);
        ``silent``: those of which people know already, and since when. What isn't configured any more is
        nobody's worry."""
        self._quiet_after = quiet_after
        self._away = away
        self._silent = {name: _Silence(None, since) for name, since in silent.items() if name in quiet_after}
        self._gone = sorted(name for name in silent if name not in quiet_after)
        self._sources: dict[str, _Source] = {}
        self._looked: float | None = None

    def look(
        self, now: Instant, steady: float, *, connected: Mapping[str, bool], messages: Mapping[str, int]
    ) -> list[GatewayReport]:
        """What became known. ``steady``: seconds that no clock change moves; ``messages``: how many each has
        said so far."""
        if self._looked is None or steady - self._looked > LONGEST_GAP:
            # We were held up ourselves: what wasn't heard meanwhile is nobody's silence.
            begin = now, steady
            self._sources = {name: _Source(begin, begin, messages[name]) for name in self._quiet_after}
        self._looked = steady
        gone, self._gone = self._gone, []
        found = [GatewayReport(source=name, state="well") for name in gone]
        for name in self._sources:
            report = self._look_at(name, (now, steady), connected[name], messages[name])
            found += [] if report is None else [report]
        return found

    def silent_since(self, name: str) -> Instant | None:
        """From any thread; ``None`` while it is heard."""
        silence = self._silent.get(name)
        return None if silence is None else silence.since

    def _look_at(self, name: str, now: Moment, connected: bool, messages: int) -> GatewayReport | None:
        source = self._sources[name]
        spoke = messages != source.messages
        source.messages = messages
        if connected:
            source.reached = now
        if spoke or not connected:
            source.said = now
        if name in self._silent:
            return self._end(name) if connected and (spoke or not self._waits_for_words(name)) else None
        if now[1] - source.reached[1] >= self._away:
            return self._begin(name, "away", source.reached[0])
        patience = self._quiet_after[name]
        if patience is not None and now[1] - source.said[1] >= patience:
            return self._begin(name, "quiet", source.said[0])
        return None

    def _waits_for_words(self, name: str) -> bool:
        """That its broker is reached is enough where it wasn't. After a start of ours nobody knows why."""
        return self._silent[name].reason != "away" and self._quiet_after[name] is not None

    def _begin(self, name: str, reason: Reason, since: Instant) -> GatewayReport:
        self._silent[name] = _Silence(reason, since)
        return GatewayReport(source=name, state="silent", since=since, reason=reason)

    def _end(self, name: str) -> GatewayReport:
        del self._silent[name]
        return GatewayReport(source=name, state="well")
