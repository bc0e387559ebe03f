"""When to exchange what: the window of each slot in panel boundaries, and the fewest stops that meet all of
them.

Boundary ``k`` is the end of the k-th panel from now, the one in work being the first; 0 is at once. All of it
is exact arithmetic on whole panels; where the numbers come from isn't known here.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

T = TypeVar("T")
_CRUMB = 1e-6


@dataclass(frozen=True, slots=True)
class Terms:
    """``margin`` panels are kept in hand before the slot may be empty; a supply may be exchanged with up to
    the share ``waste`` of a full one left in it."""

    margin: int = 1
    waste: float = 0.05


@dataclass(frozen=True, slots=True)
class Window(Generic[T]):
    """The boundaries from the first to the last at which ``what`` may be exchanged, both included."""

    what: T
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Stop(Generic[T]):
    """A stop at the end of a panel, and what is exchanged in it."""

    boundary: int
    windows: tuple[Window[T], ...]


def window_of(
    what: T, *, sure: int, left_at: Callable[[int], float], full: float | None, terms: Terms
) -> Window[T]:
    """The window of a slot that completes ``sure`` more panels as good as certainly.

    ``left_at`` says how many parts are expected to be left at a boundary, less at each. Where a ``full``
    supply isn't known it is let run as far as it may, so that nothing is thrown away unasked.
    """
    last = max(0, sure - terms.margin)
    if full is None:
        return Window(what, last, last)
    allowed = terms.waste * full + _CRUMB
    return Window(what, bisect_left(range(last), True, key=lambda at: left_at(at) <= allowed), last)


def fewest_stops(windows: Sequence[Window[T]], free: Iterable[int] = ()) -> list[Stop[T]]:
    """The smallest number of stops such that each window has one, soonest first; those at ``free``
    boundaries, where the line stands anyway, don't count.

    Of the windows that no free boundary meets, the earliest end among those not met yet is a stop; what can
    wait for it does. The ends so chosen belong to windows that don't overlap, so no plan has fewer (interval
    stabbing: Kleinberg and Tardos, Algorithm Design, chapter 4). Each window is served at the last of its
    stops, so that little is left over.
    """
    resting, paid = sorted(set(free)), [-1]
    for window in sorted(windows, key=lambda each: each.last):
        if window.first > paid[-1] and _last_in(resting, window) is None:
            paid.append(window.last)
    return serve(windows, [*paid[1:], *resting])


def serve(windows: Sequence[Window[T]], boundaries: Iterable[int]) -> list[Stop[T]]:
    """Each window at the last of the boundaries that lie in it (each has one); those that none needs are no
    stops."""
    ordered = sorted(set(boundaries))
    served: dict[int, list[Window[T]]] = {boundary: [] for boundary in ordered}
    for window in windows:
        served[ordered[bisect_right(ordered, window.last) - 1]].append(window)
    return [Stop(boundary, tuple(each)) for boundary, each in served.items() if each]


def _last_in(ordered: Sequence[int], window: Window[T]) -> int | None:
    place = bisect_right(ordered, window.last) - 1
    return ordered[place] if place >= 0 and ordered[place] >= window.first else None
