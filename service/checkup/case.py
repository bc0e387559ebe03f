"""What every area of a check-up may ask: the settings, the clock, and the store, which is opened once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

import msgspec

from service.domain.model import Instant
from service.domain.state import StationState
from service.ports import StoreError, StoreRevisionError
from service.settings import Settings
from service.store import Store, file_of, open_store

STATIONS = "station/"
_stations = msgspec.msgpack.Decoder(StationState)


@dataclass(slots=True)
class _Kept:
    store: Store | None = None
    stations: Sequence[StationState] | None = None
    closed: bool = False
    lock: Lock = field(default_factory=Lock)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One installation. ``environment`` is that of the process, ``config`` the file the settings are from;
    ``clock`` is this machine's. ``seconds``: what one connection may take, ``listens``: how
    long it is listened to a broker that lets us in."""

    settings: Settings
    environment: Mapping[str, str]
    clock: Callable[[], Instant]
    config: Path | None = None
    seconds: float = 3.0
    listens: float = 1.0
    _kept: _Kept = field(default_factory=_Kept)

    @property
    def store_url(self) -> str:
        return self.settings.store.url.get_secret_value()

    @property
    def store_file(self) -> Path | None:
        """SQLite's; ``None``: the store is no file."""
        return file_of(self.store_url)

    def opened(self) -> Store:
        """Nothing is migrated and nothing made. Raises ``StoreError``, ``StoreRevisionError``."""
        with self._kept.lock:
            if self._kept.closed:
                raise StoreError("the check-up is over")
            if self._kept.store is None:
                self._kept.store = open_store(self.store_url, migrate=False, shard=self.settings.share)
            return self._kept.store

    def store(self) -> Store | None:
        """As ``opened``; ``None`` where the area of the store tells why there is none."""
        if self.store_file is not None and not self.store_file.exists():
            return None
        try:
            return self.opened()
        except (StoreError, StoreRevisionError):
            return None

    def stations(self) -> Sequence[StationState] | None:
        """Those that the store knows; ``None`` where it can't be asked."""
        store = self.store()
        with self._kept.lock:
            if self._kept.stations is None and store is not None:
                try:
                    kept = store.archive.states(STATIONS)
                except StoreError:
                    return None
                self._kept.stations = [_stations.decode(data) for data in kept.values()]
            return self._kept.stations

    def close(self) -> None:
        """Whoever still waits for the store isn't waited for."""
        self._kept.closed = True
        if self._kept.lock.acquire(timeout=0.5):
            try:
                if self._kept.store is not None:
                    self._kept.store.close()
            finally:
                self._kept.lock.release()
