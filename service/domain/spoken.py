"""What stops and lengths of time are called, before any language."""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.said import Said
from service.domain.track import Cause

CAUSES: Mapping[str, Said] = {
    Cause.SUPPLY: Said("supply out"),
    Cause.FAULT: Said("fault"),
    Cause.HELD: Said("held by a later station"),
    Cause.STARVED: Said("no work from an earlier station"),
    Cause.EXCHANGE: Said("planned exchange"),
    Cause.CHANGEOVER: Said("changeover"),
    Cause.NO_ORDER: Said("no order"),
    Cause.REST: Said("planned rest"),
    Cause.UNHEARD: Said("nothing heard"),
    Cause.UNKNOWN: Said("cause not known"),
}


def lasted(milliseconds: float) -> Said:
    """``1 h 24 min``, ``2 h``, ``24 min``, ``40 s``."""
    seconds = round(abs(milliseconds) / 1000)
    if seconds < 60:
        return Said("{seconds} s", {"seconds": seconds})
    hours, minutes = divmod(round(seconds / 60), 60)
    if not hours:
        return Said("{minutes} min", {"minutes": minutes})
    if not minutes:
        return Said("{hours} h", {"hours": hours})
    return Said("{hours} h {minutes} min", {"hours": hours, "minutes": minutes})
