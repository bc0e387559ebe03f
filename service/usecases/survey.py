"""How long a recording is, found without reading what its lines say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import msgspec

from service.domain.model import Instant, from_datetime
from service.wire.journal import MANIFEST_TYPE, STATE_TYPE

_EDGE = 2
"""A line at either end may be no entry: start state, manifest."""


class _Head(msgspec.Struct):
    type: str
    time: str


_heads = msgspec.json.Decoder(_Head)


@dataclass(frozen=True, slots=True)
class Survey:
    """``entries``: about how many; ``first`` and ``last``: their moments, ``None`` where there are none."""

    entries: int
    first: Instant | None
    last: Instant | None


def survey(lines: Iterable[bytes]) -> Survey:
    """What isn't ours is left for whoever reads it to complain of."""
    number = 0
    head: list[bytes] = []
    tail: list[bytes] = []
    for line in lines:
        if not line.strip():
            continue
        number += 1
        if len(head) < _EDGE:
            head.append(line)
        tail = [*tail[1 - _EDGE :], line]
    firsts = [at for line in head if (at := _moment(line)) is not None]
    lasts = [at for line in tail if (at := _moment(line)) is not None]
    if not firsts or not lasts:
        return Survey(0, None, None)
    return Survey(number, firsts[0], lasts[-1])


def _moment(line: bytes) -> Instant | None:
    """That of an entry."""
    try:
        head = _heads.decode(line)
        entry = head.type not in (STATE_TYPE, MANIFEST_TYPE)
        return from_datetime(datetime.fromisoformat(head.time)) if entry else None
    except (msgspec.MsgspecError, ValueError, TypeError):
        return None
