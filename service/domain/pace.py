"""How long the next panels take: the usual takt, times what the station's own past says of so many panels.

T_k = k * (median of the last 40 takts) * rho_k, where rho_k has the empirical quantiles of
(sum of k takts) / (k * the median before them) over the station's last 1,200 panels. So minor stops, bursts
of them and a takt that wanders are in the spread as they were, without a law for any of them. Planned breaks
are not in it: takts are working time, and ``calendar`` puts the breaks back.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate, pairwise
from math import hypot, inf, log, sqrt
from statistics import median
from struct import Struct

import numpy as np

from service.domain.state import StationState

MOST_TAKTS = 40
FEWEST_TAKTS = 3
BLOCK = 5
"""Panels to a block of the past."""
_KEPT, _CUT = 240, 256
_MOST_AT_ONCE = 4
"""A message of very many panels says only one mean; it must not fill the past with its copies."""
_STANDSTILL = 3600.0
_STANDS = 10.0
"""More than an hour and than ten takts isn't pace: a night, a product change, a line without orders."""
_HORIZONS = (1, 2, 4, 10, 20, 30)
"""In blocks; 1 and 2 panels come from the single takts."""
_PANELS = (0, 1, 2, *(BLOCK * blocks for blocks in _HORIZONS))
_FEWEST = 4.0
"""Times that so many panels must fit into the past before it is asked about them."""
_Z95 = 1.645
_STEADIEST = 0.02
_LEAST, _UNIT = 0.01, 4000.0
_FARTHEST = 100 * 365.25 * 86_400.0


@dataclass(frozen=True, slots=True)
class Pace:
    """``usual`` seconds per panel. The first ``panels[i]`` of the next panels take as long as ``low[i]``,
    ``middle[i]`` and ``high[i]`` usual ones, the 5 %, 50 % and 95 % quantiles; between them it is straight.
    The last one was seen ``times`` over, apart from one another."""

    usual: float
    panels: tuple[int, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]
    times: float

    def seconds(self, panels: int) -> tuple[float, float, float]:
        """The 5 %, 50 % and 95 % quantiles of the time for so many panels."""
        last = self.panels[-1]
        if panels > last:
            # Apart from one another the spread grows by the root; that of their mean by the number itself.
            share = panels / last
            grown = sqrt(share * (1.0 + share / self.times))
            middle = self.middle[-1] * share
            low = middle - (self.middle[-1] - self.low[-1]) * grown
            high = middle + (self.high[-1] - self.middle[-1]) * grown
            return max(low, 0.0) * self.usual, middle * self.usual, high * self.usual
        after = max(1, bisect_right(self.panels, panels - 1))
        before = after - 1
        share = (panels - self.panels[before]) / (self.panels[after] - self.panels[before])
        low, middle, high = (
            (each[before] + share * (each[after] - each[before])) * self.usual
            for each in (self.low, self.middle, self.high)
        )
        return max(low, 0.0), middle, high


def note(station: StationState, seconds: float, panels: int) -> None:
    """So many more panels took so many seconds of working time."""
    takts, takt = station.takts, seconds / panels
    block = station.takt_block
    if not block and len(takts) >= FEWEST_TAKTS:
        block = [median(takts), 0.0, 0.0]
    if block and not (seconds > _STANDSTILL and takt > _STANDS * block[0]):
        usual, ran, took = block[0], block[1] + panels, block[2] + seconds
        block = [usual, ran, took]
        if ran >= BLOCK:
            coded = _coded(took / ran) + _coded(usual)
            blocks = station.takt_blocks + coded * min(int(ran // BLOCK), _MOST_AT_ONCE)
            station.takt_blocks = blocks if len(blocks) <= 4 * _CUT else blocks[-4 * _KEPT :]
            block = []
    station.takt_block = block
    takts.append(takt)
    del takts[:-MOST_TAKTS]


def pace_of(station: StationState) -> Pace | None:
    """``None`` while fewer than three takts are known."""
    kept = len(station.takt_blocks) // 4
    kept -= kept % (4 if kept < 64 else 16)  # the table is made anew every so many panels only
    return _pace(tuple(station.takts[-MOST_TAKTS:]), station.takt_blocks[: 4 * kept])


def seconds_to_empty(pace: Pace, panels: tuple[int, int, int]) -> tuple[float, float, float] | None:
    """Seconds of work until the panels to empty have run: their p05, p50 and p95 in, those of the time out.

    How far either end is from the middle for the panels' sake and for the time's sake adds up as for
    independent errors, in quadrature. ``None`` for what is a century away: that is no forecast, and no date
    either.
    """
    fewest, usually, most = panels
    low, middle, high = pace.seconds(usually)
    soonest = middle - hypot(middle - pace.seconds(fewest)[1], middle - low)
    latest = middle + hypot(pace.seconds(most)[1] - middle, high - middle)
    return (max(soonest, 0.0), middle, latest) if latest < _FARTHEST else None


def panels_within(pace: Pace, seconds: float) -> int:
    """The most panels that may run in ``seconds`` of work: as many as fit when the line is at its 5 %
    fastest."""
    if seconds <= 0.0:
        return 0
    after = bisect_right(pace.low, seconds / pace.usual)
    least = pace.panels[after - 1]
    most = pace.panels[min(after, len(pace.panels) - 1)]
    while pace.seconds(most)[0] <= seconds:
        most *= 2
    return least + bisect_right(range(least, most), seconds, key=lambda panels: pace.seconds(panels)[0]) - 1


_row_of = Struct("3d")


@lru_cache(maxsize=256)
def _pace(takts: tuple[float, ...], blocks: bytes) -> Pace | None:
    if len(takts) < FEWEST_TAKTS:
        return None
    usual = median(takts)
    if usual <= 0.0:
        return None
    past = [*_row_of.iter_unpack(_table(blocks))]
    if not past:
        spread = max(1.4826 * median(abs(takt - usual) for takt in takts) / usual, _STEADIEST)
        return Pace(usual, (0, 1), (0.0, 1.0 - _Z95 * spread), (0.0, 1.0), (0.0, 1.0 + _Z95 * spread), inf)
    pairs = [one + other for one, other in pairwise(takts)]
    rows = (0.0, 0.0, 0.0), _row(1, takts, usual, len(takts)), _row(2, pairs, usual, len(takts) / 2), *past
    low, middle, high = (tuple(accumulate(each, max)) for each in zip(*rows, strict=True))
    times = len(blocks) // 4 / _HORIZONS[len(past) - 1]
    return Pace(usual, _PANELS[: len(rows)], low, middle, high, times)


@lru_cache(maxsize=4096)
def _table(blocks: bytes) -> bytes:
    """For each of the horizons that the past holds often enough what so many panels took in usual takts, a
    ``_row_of`` it; packed, because thousands are kept."""
    means, medians = _decoded(blocks)
    sums = [*accumulate((BLOCK * mean for mean in means), initial=0.0)]
    rows = []
    for width in _HORIZONS:
        times = len(means) / width
        if times < _FEWEST:
            break
        seen = [(sums[at + width] - sums[at]) / medians[at] for at in range(len(means) - width + 1)]
        rows.append(_row_of.pack(*_row(BLOCK * width, seen, 1.0, times)))
    return b"".join(rows)


def _row(panels: int, seen: Sequence[float], usual: float, times: float) -> tuple[float, float, float]:
    """The quantiles of what was seen, in usual takts, each end as much farther out as Student's law for the
    next one is wider than the normal one after so many ``times``: t * sqrt(1 + 1/n) / z = 1 + 1.6/n + 3/n^2
    nearly. No line is steadier than 2 % a panel."""
    ordered = sorted(seen)
    low, middle, high = (_quantile(ordered, share) / usual for share in (0.05, 0.5, 0.95))
    wider, least = 1.0 + 1.6 / times + 3.0 / times**2, _Z95 * _STEADIEST * sqrt(panels)
    return middle - max(wider * (middle - low), least), middle, middle + max(wider * (high - middle), least)


def _quantile(ordered: Sequence[float], share: float) -> float:
    place = share * (len(ordered) - 1)
    before = int(place)
    after = min(before + 1, len(ordered) - 1)
    return ordered[before] + (place - before) * (ordered[after] - ordered[before])


def _coded(seconds: float) -> bytes:
    """Sixteen bits for anything between a hundredth of a second and a day, to 0.025 %."""
    code = round(_UNIT * log(max(seconds, _LEAST) / _LEAST))
    return min(code, 0xFFFF).to_bytes(2, "little")


def _decoded(blocks: bytes) -> tuple[list[float], list[float]]:
    """The mean takt of each block and the usual one before it."""
    codes = np.frombuffer(blocks, dtype="<u2").reshape(-1, 2)
    means, usual = (_LEAST * np.exp(codes / _UNIT)).T.tolist()
    return means, usual
