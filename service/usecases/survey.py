"""When a recording ends, found without reading what its lines say."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

import msgspec

from service.domain.model import Instant, from_rfc3339
from service.wire.journal import MANIFEST_TYPE, STATE_TYPE

_EDGE = 2
"""Lines at the end: the last may be a manifest."""


class _Head(msgspec.Struct):
    type: str
    time: str


_heads = msgspec.json.Decoder(_Head)


def end_of(lines: Iterable[bytes], until: Instant | None = None) -> Instant | None:
    """The moment of the last entry, or ``until`` where that is before; ``None``: there is none. What isn't
    ours is left for whoever reads it to complain of."""
    tail = deque((line for line in lines if line.strip()), maxlen=_EDGE)
    lasts = [at for line in tail if (at := _moment(line)) is not None]
    if not lasts:
        return None
    return lasts[-1] if until is None else min(lasts[-1], until)


def _moment(line: bytes) -> Instant | None:
    """That of an entry."""
    try:
        head = _heads.decode(line)
        entry = head.type not in (STATE_TYPE, MANIFEST_TYPE)
        return from_rfc3339(head.time) if entry else None
    except (msgspec.MsgspecError, ValueError, TypeError):
        return None
