"""Backups in a folder, each named after its moment, and after its shard where there are several."""

from __future__ import annotations

from pathlib import Path

from service.domain.model import Instant, to_datetime
from service.domain.shards import Shard

_MOMENT = "????????T??????Z"


def dated(folder: Path, now: Instant, shard: Shard | None = None) -> Path:
    """Where the backup of this moment goes; names in order are moments in order."""
    return folder / _named(shard, f"{to_datetime(now):%Y%m%dT%H%M%SZ}")


def rotate(folder: Path, keep: int, shard: Shard | None = None) -> list[Path]:
    """Delete all but this shard's newest ``keep`` backups; what has another name stays. Those that went."""
    gone = sorted(folder.glob(_named(shard, _MOMENT)))[:-keep]
    for path in gone:
        path.unlink()
    return gone


def _named(shard: Shard | None, moment: str) -> str:
    return f"earlybell-{moment}.db" if shard is None else f"earlybell-{shard.name}-{moment}.db"
