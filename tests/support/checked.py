"""One installation to check up, from the text of its configuration, and what was found of an area."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from service.checkup import Case, Finding, State
from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.domain.state import SlotState, StationState, station_key
from service.ports import Batch
from service.settings import load
from service.store import open_store


def wall_clock() -> Instant:
    return time.time_ns() // 1000


def case_of(
    folder: Path,
    text: str,
    *,
    environment: Mapping[str, str] | None = None,
    clock: Callable[[], Instant] = wall_clock,
    seconds: float = 3.0,
) -> Case:
    """With an SQLite store in ``folder`` unless ``text`` names another."""
    config = folder / "checked.toml"
    store = "" if "[store]" in text else f'[store]\nurl = "sqlite:///{folder}/checked.db"\n'
    config.write_text(store + text, encoding="utf-8")
    config.chmod(0o600)
    environment = environment or {}
    settings = load(config, environment)
    return Case(
        settings=settings, environment=environment, clock=clock, config=config, seconds=seconds, listens=0.2
    )


def told(found: Sequence[Finding], state: State) -> list[str]:
    """What was found in that state; each with what to do, where that is said."""
    return [
        f"{each.found} → {each.to_do}" if each.to_do else each.found for each in found if each.state is state
    ]


def has(found: Sequence[Finding], state: State, text: str) -> bool:
    return any(text in each for each in told(found, state))


def store_with(
    file: Path, line: str, station: str, *, slots: Sequence[str] = (), at: Instant | None = None, **more: Any
) -> str:
    """The URL of a store that has counted one station, then."""
    at = wall_clock() if at is None else at
    known = StationState(
        line, station, slots={name: SlotState(name) for name in slots}, counted_at=at, **more
    )
    batch = Batch(
        position=0,
        journal=[JournalEntry(at=at, kind="count", subject=f"{line}/{station}", data=b"{}")],
        states={station_key(line, station): msgspec.msgpack.encode(known)},
        notices=(),
        deliveries=(),
        refused=(),
    )
    url = f"sqlite:///{file}"
    store = open_store(url, migrate=True)
    try:
        store.ledger.commit(batch)
    finally:
        store.close()
    return url
