"""The cheapest stops: what a stop costs at each boundary, and what each window costs where it is served.

A stop may cost little where the line stands anyway. Waste falls the later a supply is exchanged, the risk
that it is empty before rises: of each window the costs go down and then up again, like a valley.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def cheapest_stops(costs: Floats, stop_costs: Floats) -> list[int]:
    """The boundaries at which stops meet all windows at the least cost, soonest first.

    ``costs`` (N, B): of each window at each boundary, infinite outside it, a valley inside; each has a finite
    one. ``stop_costs`` (B,): of a stop there. Of all stops only the last before a valley's lowest point and
    the first behind it can serve it best. So the windows whose lowest points lie between two neighbouring
    stops cost the less of both, whatever else is chosen: f(k) = min over j of f(j) + c(k) + the sum of these.
    """
    number, boundaries = costs.shape
    lowest = boundaries - 1 - np.argmin(costs[:, ::-1], axis=1)
    order = np.argsort(lowest, kind="stable")
    costs, lowest = costs[order], lowest[order]
    finite = np.isfinite(costs)
    first = np.argmax(finite, axis=1)
    last = boundaries - 1 - np.argmax(finite[:, ::-1], axis=1)
    # Behind the last boundary a stop that costs nothing and serves nothing: the end.
    costs = np.hstack([costs, np.full((number, 1), np.inf)])
    stop_costs = np.append(stop_costs, 0.0)
    best, before = np.full(boundaries + 1, np.inf), np.full(boundaries + 1, -1)
    for stop in range(-1, boundaries):
        so_far = 0.0 if stop < 0 else best[stop]
        if not np.isfinite(so_far):
            continue
        # The next stop can't come after the end of a window that begins behind this one.
        farthest = int(last[first > stop].min(initial=boundaries))
        begin, end = bisect_right(lowest, stop), bisect_right(lowest, farthest)
        served_here = np.full(number, np.inf) if stop < 0 else costs[:, stop]
        reach = np.arange(stop + 1, farthest + 1)
        less = np.minimum(costs[begin:end, stop + 1 : farthest + 1], served_here[begin:end, None])
        between = np.where(lowest[begin:end, None] <= reach, less, 0.0).sum(axis=0)
        total = so_far + stop_costs[reach] + between
        better = total < best[reach]
        best[reach[better]], before[reach[better]] = total[better], stop
    return _back(before, boundaries)


def _back(before: npt.NDArray[np.int64], end: int) -> list[int]:
    stops: list[int] = []
    while (end := int(before[end])) >= 0:
        stops.append(end)
    return stops[::-1]
