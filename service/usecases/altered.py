"""A recording as it is read once to be gone through many times, and what is other than recorded then."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import msgspec

from service.desk import Unfit
from service.domain.events import JournalEntry, Message
from service.domain.model import Instant
from service.domain.policy import Policy
from service.usecases.fold import policy_of
from service.usecases.recording import Reader
from service.wire.journal import FLOOR, StartState, read_entry
from service.wire.native import Address, Misfit

Entry = tuple[JournalEntry, Address, Message | Policy]


@dataclass(frozen=True, slots=True)
class Alteration:
    """What is other than recorded: keys of ``warn`` and of ``plan``, on top of what was in force or, where
    there is one, of a ``whole`` other policy (as JSON)."""

    warn: tuple[tuple[str, Any], ...] = ()
    plan: tuple[tuple[str, Any], ...] = ()
    whole: bytes | None = None

    def of(self, recorded: Policy) -> Policy:
        policy = recorded if self.whole is None else msgspec.json.decode(self.whole, type=Policy)
        warn = msgspec.structs.replace(policy.warn, **dict(self.warn))
        warn = msgspec.structs.replace(warn, urgent_panels=min(warn.urgent_panels, warn.lead_panels))
        plan = msgspec.structs.replace(policy.plan, **dict(self.plan))
        return msgspec.structs.replace(policy, warn=warn, plan=plan)


@dataclass(frozen=True, slots=True)
class Heard:
    """A recording, read once: its start state (packed, because a run changes it) and every entry with what
    it says, at least one."""

    site: str
    start: bytes | None
    entries: tuple[Entry, ...]

    @property
    def first(self) -> Instant:
        return self.entries[0][0].at

    @property
    def last(self) -> Instant:
        return self.entries[-1][0].at

    @property
    def messages(self) -> int:
        return sum(entry.kind in FLOOR for entry, _, _ in self.entries)

    @property
    def lines(self) -> list[str]:
        return sorted({address.line for entry, address, _ in self.entries if entry.kind in FLOOR})

    @property
    def timezone(self) -> str:
        """The site's, by the settings last in force."""
        said = [message for _, _, message in self.entries if isinstance(message, Policy)]
        start = None if said else self.begin()
        return (said[-1] if said else Policy() if start is None else policy_of(start.policy)).timezone

    def begin(self) -> StartState | None:
        """The state it starts from, new each time."""
        return None if self.start is None else msgspec.json.decode(self.start, type=StartState)


def hear(lines: Iterable[bytes]) -> Heard:
    """All that a recording says. ``Unfit``: a line isn't ours, or it isn't whole."""
    reader, start, entries = Reader(), None, list[Entry]()
    for what in reader.read(lines):
        try:
            if isinstance(what, StartState):
                policy_of(what.policy)
                start = msgspec.json.encode(what)
            else:
                entries.append(_read(what))
        except Misfit as misfit:
            raise reader.unfit(misfit) from None
    if not entries:
        raise Unfit("nothing happens in it")
    return Heard(reader.site, start, tuple(entries))


def _read(entry: JournalEntry) -> Entry:
    if entry.kind == "settings":
        return entry, Address("settings", "", None), policy_of(entry.data)
    return entry, *read_entry(entry)
