"""Which file system a store lies on, and whether SQLite's write-ahead log is safe there.

Its log is memory shared between programs through the file system. On a network or a shared host folder that
sharing is only pretended, and the file breaks silently, so such a place is refused."""

from __future__ import annotations

import os
import re
from pathlib import Path

MOUNTS = Path("/proc/self/mountinfo")
_UNSAFE = re.compile(
    r"9p|virtiofs|vboxsf|prl_fs|nfs\d?|cifs|smb\w*|afs|ceph|glusterfs|lustre|gpfs|ocfs2|ncpfs|fuse(\..+)?"
)
_ESCAPED = re.compile(r"\\([0-7]{3})")


def unsafe(folder: Path, mounts: Path = MOUNTS) -> str | None:
    """The kind of file system ``folder`` is on when a store isn't safe there; ``None``: it is, or nobody
    knows."""
    try:
        kind = kind_of(folder, mounts.read_text(encoding="utf-8", errors="surrogateescape"))
    except OSError:
        return None  # another system: the answer to `journal_mode=WAL` must do
    return kind if kind is not None and _UNSAFE.fullmatch(kind) else None


def kind_of(folder: Path, mountinfo: str) -> str | None:
    """By proc(5): the file system of the mount that holds ``folder``; of equals the later one covers."""
    real = os.path.realpath(folder)
    found: tuple[int, str] | None = None
    for line in mountinfo.splitlines():
        before, _, after = line.partition(" - ")
        fields, kinds = before.split(" "), after.split(" ")
        if len(fields) < 5 or not kinds[0]:
            continue
        point = _ESCAPED.sub(lambda octal: chr(int(octal[1], 8)), fields[4])
        inside = real == point or real.startswith(point.rstrip("/") + "/")
        if inside and (found is None or len(point) >= found[0]):
            found = len(point), kinds[0]
    return None if found is None else found[1]
