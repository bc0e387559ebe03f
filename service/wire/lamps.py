"""A lamp that is only ever seen lit or dark: off, on or flashing.

Signal lamps flash with 0.4 to 0.8 Hz or with 1.4 to 2.8 Hz (IEC 60073), lit about as long as dark, or 1 to
1.5: the slowest is dark for 1.5 s in each period of 2.5 s. So a lamp flashes when it changes again within
such a half; and that it is steady is known only when it stayed as it is for longer, else a slow flasher would
switch between running and stopped. Both are seen no better than by the gap between two looks, which is
reckoned in. No rate is told: looks once a second can't tell 2.8 Hz from 0.8 Hz, and nothing here needs it.
"""

from __future__ import annotations

import msgspec

from service.domain.events import Lamp
from service.domain.model import SECOND, Instant

LONGEST_HALF = 3 * SECOND // 2
COARSEST = SECOND
"""Looks further apart than this see changes, but tell little about what was in between."""
FINEST = SECOND // 20
"""Looks that come closer than this are as one: several may be told in one message, or one twice."""


class Seen(msgspec.Struct, array_like=True):
    """``state`` is what is known of the lamp; ``lit`` since ``since``, which is a change when ``turned``.
    ``gap``: between the looks of late, the shortest. ``said``: when ``since`` was by the source's clock."""

    state: Lamp | None = None
    lit: bool | None = None
    since: Instant = 0
    turned: bool = False
    looked: Instant = 0
    gap: Instant = COARSEST
    tells: bool = False
    said: Instant | None = None


def tell(lamp: Seen, state: Lamp) -> None:
    """What the source knows of its lamp by itself."""
    lamp.state, lamp.lit = state, None
    lamp.tells = lamp.tells or state == "flashing"


def look_at(lamp: Seen, lit: bool, at: Instant, said: Instant | None = None) -> None:
    """One look, heard ``at``; ``said`` by the source's clock, which tells better how long a lamp stayed as it
    was: looks may come together. A lamp whose source once said that it flashes needs no second one."""
    if lamp.tells:
        tell(lamp, "on" if lit else "off")
        return
    if lamp.lit is None:
        lamp.lit, lamp.since, lamp.turned, lamp.looked, lamp.said = lit, at, False, at, said
    else:
        if (passed := at - lamp.looked) >= FINEST:
            lamp.gap, lamp.looked = min(passed, 2 * lamp.gap, COARSEST), at
        if lit != lamp.lit:
            if lamp.turned and _stayed(lamp, at, said) <= LONGEST_HALF + lamp.gap:
                lamp.state = "flashing"
            lamp.lit, lamp.since, lamp.turned, lamp.said = lit, at, True, said
    settle(lamp, at)


def _stayed(lamp: Seen, at: Instant, said: Instant | None) -> Instant:
    """A clock that went back tells nothing."""
    own = None if said is None or lamp.said is None else said - lamp.said
    return at - lamp.since if own is None or own < 0 else own


def settle(lamp: Seen, at: Instant) -> None:
    """It is steady once it was so long enough."""
    moment = steady_at(lamp)
    if moment is not None and moment <= at:
        lamp.state = _steady(lamp)


def steady_at(lamp: Seen) -> Instant | None:
    """When it will be known to be steady, should it stay as it is; ``None``: it is known."""
    if lamp.lit is None or lamp.state == _steady(lamp):
        return None
    return lamp.since + LONGEST_HALF + 2 * lamp.gap + 1


def _steady(lamp: Seen) -> Lamp:
    return "on" if lamp.lit else "off"
