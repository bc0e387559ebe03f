"""Backups in a folder, each named after its moment: the newest are kept, older ones go."""

from __future__ import annotations

from pathlib import Path

from service.domain.model import Instant, to_datetime

_NAME = "earlybell-????????T??????Z.db"


def dated(folder: Path, now: Instant) -> Path:
    """Where the backup of this moment goes; names in order are moments in order."""
    return folder / f"earlybell-{to_datetime(now):%Y%m%dT%H%M%SZ}.db"


def rotate(folder: Path, keep: int) -> list[Path]:
    """Delete all but the newest ``keep`` backups; what has another name stays. Those that went."""
    gone = sorted(folder.glob(_NAME))[:-keep]
    for path in gone:
        path.unlink()
    return gone
