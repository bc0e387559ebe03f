"""The packages that a lock file admits, as values."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from packaging.utils import NormalizedName, canonicalize_name

ROOT = Path(__file__).parents[2]
RUNTIME, DEVELOPMENT = ROOT / "requirements.lock", ROOT / "requirements-dev.lock"

_PIN = re.compile(
    r"^(?P<name>[A-Za-z0-9._-]+)(\[.*\])?==(?P<version>\S+)(?P<rest>.*(?:\n    --hash.*)*)", re.MULTILINE
)
_HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class Pin:
    """One package. ``hashes``: SHA-256 of each file that may be installed for it."""

    name: NormalizedName
    version: str
    hashes: tuple[str, ...]


def pins(path: Path) -> list[Pin]:
    """By name."""
    found = [
        Pin(canonicalize_name(match["name"]), match["version"], tuple(sorted(_HASH.findall(match["rest"]))))
        for match in _PIN.finditer(path.read_text(encoding="utf-8"))
    ]
    return sorted(found, key=lambda pin: pin.name)
