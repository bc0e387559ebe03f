"""Which instance this is: the same over its restarts, and never the same as another that runs on this host.

The name is configured or that of the host. Whoever comes second under it on one host gets a number behind it:
while a process lives, and be it paused, a socket of the system's own name space holds the place, and its
death frees it. Knows no lease."""

from __future__ import annotations

import hashlib
import socket
import uuid
from dataclasses import dataclass, field

MOST = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """``name`` is what people see and what a restart keeps, ``life`` this one start of it."""

    name: str
    life: str
    place: socket.socket = field(repr=False)

    def leave(self) -> None:
        self.place.close()


def claim(name: str | None, *, of: str) -> Instance:
    """The first free place of this name on this host; ``of``: what its instances share (store, client id)."""
    base = name or socket.gethostname()
    for number in range(1, MOST + 1):
        place = _place(f"{of}\0{base}\0{number}")
        if place is not None:
            shown = base if number == 1 else f"{base}#{number}"
            return Instance(name=shown, life=uuid.uuid4().hex, place=place)
    raise OSError(f"{MOST} instances named {base!r} run on this host: that can't be meant")


def _place(what: str) -> socket.socket | None:
    holder = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    try:
        holder.bind(f"\0earlybell-{hashlib.sha256(what.encode()).hexdigest()[:40]}")
    except OSError:
        holder.close()
        return None
    return holder
