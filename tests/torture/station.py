"""One placement machine of the plant under torture: what it makes and what its gateway says of it.

No I/O and no clock of its own; chance comes from a stream that is handed in. It never runs a slot to the very
end: it stands and waits for a supply, so that plain arithmetic holds."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

Json = dict[str, Any]
SPARE_PANELS = 2
CALM = 4.0
"""Seconds: a hole is asked for after two."""
LOST = 0.01
"""Of the picks: enough that each slot loses some in a run."""


@dataclass(slots=True, kw_only=True)
class Station:
    """``ring`` holds the messages that the program hasn't said to have stored, and ``keeps`` more of them;
    only a station that sends differences (``delta``) needs it for more than its own peace."""

    line: str
    name: str
    delta: bool
    keeps: int = 0
    usage: dict[str, int]
    chance: random.Random
    left: dict[str, int] = field(default_factory=dict)
    session: int = 1
    seq: int = 0
    panels: int = 0
    totals: dict[str, list[int]] = field(default_factory=dict)
    ring: deque[tuple[int, Json]] = field(default_factory=deque)
    stored: tuple[str, int] | None = None
    reboots: bool = False
    calm_since: float | None = None
    """Since when all is stored and nothing was asked for, while it wants to reboot."""
    said_again: float = 0.0
    ahead: timedelta = timedelta(0)
    """By how much its gateway's clock is wrong."""
    asked_in_vain: int = 0
    """Messages asked for after they were said to be stored, and forgotten therefore."""

    @property
    def place(self) -> tuple[str, str]:
        return self.line, self.name

    @property
    def session_name(self) -> str:
        return f"s{self.session}"

    @property
    def waits(self) -> bool:
        """For a supply: a slot couldn't give parts for much longer."""
        return any(self.left[slot] < usage * (SPARE_PANELS + 1) for slot, usage in self.usage.items())

    @property
    def is_stored(self) -> bool:
        return self.stored == (self.session_name, self.seq)

    def recipe(self) -> Json:
        return {"recipe": f"R-{self.line}-{self.name}", "usage": self.usage}

    def first_count(self, at: datetime) -> Json:
        """Before anything is placed: where the totals begin."""
        self.totals = {slot: [0, 0] for slot in self.usage}
        return self._message(at, dict.fromkeys(self.usage, (0, 0)), panels=0)

    def make_panel(self, at: datetime) -> Json:
        """The count that says so."""
        made = {
            slot: (usage, sum(self.chance.random() < LOST for _ in range(usage)))
            for slot, usage in self.usage.items()
        }
        self.panels += 1
        for slot, (placed, lost) in made.items():
            self.left[slot] -= placed + lost
            self.totals[slot][0] += placed
            self.totals[slot][1] += lost
        return self._message(at, made, panels=1)

    def reboot(self) -> None:
        """A gateway that starts anew: another session, from zero. Its own disk has told that all before is
        stored; who reboots earlier must send the rest first."""
        self.session += 1
        self.seq = self.panels = 0
        self.totals = {slot: [0, 0] for slot in self.usage}
        self.ring.clear()
        self.reboots = False
        self.calm_since = None

    def hear_received(self, session: str | None, seq: int) -> None:
        """The program has stored everything up to here: what is older may be forgotten."""
        self.stored = session or "", seq
        if session == self.session_name:
            while self.ring and self.ring[0][0] <= seq - self.keeps:
                self.ring.popleft()

    def resend(self, session: str | None, first: int, to: int) -> list[Json]:
        """What is still there of what is asked for."""
        if session != self.session_name:
            return []
        self.calm_since = None
        found = [body for seq, body in self.ring if first <= seq <= to]
        self.asked_in_vain += to - first + 1 - len(found)
        return found

    def may_reboot(self, now: float) -> bool:
        """Once all is stored, and for so long that a hole would have been asked for."""
        if not self.is_stored:
            self.calm_since = None
            return False
        if self.calm_since is None:
            self.calm_since = now
        return now - self.calm_since >= CALM

    def unheard(self, now: float) -> list[Json]:
        """What to say again, because nobody says that it is stored."""
        if self.is_stored or now - self.said_again < CALM:
            return []
        self.said_again = now
        stored = self.stored[1] if self.stored is not None and self.stored[0] == self.session_name else 0
        return [body for seq, body in self.ring if seq > stored]

    def _message(self, at: datetime, made: dict[str, tuple[int, int]], panels: int) -> Json:
        self.seq += 1
        said = made if self.delta else {slot: (placed, lost) for slot, (placed, lost) in self.totals.items()}
        body: Json = {
            "at": (at + self.ahead).isoformat(timespec="milliseconds"),
            "session": self.session_name,
            "seq": self.seq,
            "panels": panels if self.delta else self.panels,
            "slots": {slot: {"placed": placed, "lost": lost} for slot, (placed, lost) in said.items()},
        }
        if self.delta:
            body["counts"] = "delta"
        self.ring.append((self.seq, body))
        return body
