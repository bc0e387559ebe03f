"""Which fresh supplies a slot will need, and at which panel boundary each must be there.

Exact arithmetic on panels and placements. Boundary ``k`` is the end of the k-th panel from now. What isn't
known ends the list with a doubt, never with a guess; where the numbers come from isn't known here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.domain.model import SECOND, Instant

CRUMB = 1e-6
TOGETHER: Instant = 3600 * SECOND
"""What falls due within an hour of the first is fetched in one walk (common practice, no source)."""


class Unknown(StrEnum):
    """Why no more can be said of a slot."""

    LEFT = "left"
    USAGE = "usage"
    FULL = "full"
    RECIPE = "recipe"
    END = "end"


@dataclass(frozen=True, slots=True)
class Run:
    """An order, or its rest, at a slot: so many ``panels`` (``None``: no end is known) of ``usage`` parts
    each (0: it doesn't use the slot; ``None``: its recipe isn't known here). ``part``: the one it wants
    there, ``None`` where it doesn't say; ``full``: how many placements a fresh supply of it gives."""

    order: str | None
    panels: int | None
    usage: float | None
    part: str | None = None
    full: float | None = None


@dataclass(frozen=True, slots=True)
class Fresh:
    """A fresh supply of ``part`` must be there at boundary ``panels``. ``new``: the order before it had
    another part there, or none."""

    panels: int
    order: str | None
    part: str | None
    new: bool = False


@dataclass(frozen=True, slots=True)
class Doubt:
    """From boundary ``panels`` on it isn't known what the slot needs for ``order``."""

    panels: int
    order: str | None
    part: str | None
    why: Unknown


@dataclass(slots=True)
class _Slot:
    """A slot on its way through the orders: ``left`` placements are surely in it, ``None``: not known, which
    is said once (``doubted``)."""

    part: str | None
    left: float | None
    whole: bool
    doubted: bool = False


def ahead(
    runs: Iterable[Run], *, part: str | None, left: float | None, whole: bool
) -> Iterator[Fresh | Doubt]:
    """What the slot needs during ``runs``, soonest first; without end where a run has none.

    ``left`` placements are surely in it. ``whole``: what is left over at an exchange is thrown away, because
    no panel takes parts of two supplies there; otherwise one supply goes on where the other ends.
    """
    slot, start = _Slot(part, left, whole), 0
    for number, run in enumerate(runs):
        if run.usage is None:
            yield Doubt(start, run.order, run.part, Unknown.RECIPE)
            return
        if run.usage:
            yield from _during(slot, run, start, first=number == 0)
        if run.panels is None:
            return
        start += run.panels


def _during(slot: _Slot, run: Run, start: int, *, first: bool) -> Iterator[Fresh | Doubt]:
    usage, wanted = run.usage or 0.0, run.part or slot.part
    done = 0
    if not first and wanted != slot.part:
        yield Fresh(start, run.order, wanted, new=True)
        slot.part, slot.left, slot.doubted = wanted, run.full, run.full is None
        if run.full is None:
            yield Doubt(start, run.order, wanted, Unknown.FULL)
    if slot.left is None:
        if not slot.doubted:
            yield Doubt(start, run.order, wanted, Unknown.LEFT)
        slot.doubted = True
        return
    while True:
        can = int((slot.left + CRUMB) / usage)
        if run.panels is not None and can >= run.panels - done:
            slot.left -= usage * (run.panels - done)
            return
        done += can
        yield Fresh(start + done, run.order, wanted)
        slot.left = _filled(slot, run, slot.left - usage * can)
        if slot.left is None:
            slot.doubted = True
            yield Doubt(start + done, run.order, wanted, Unknown.FULL)
            return


def _filled(slot: _Slot, run: Run, rest: float) -> float | None:
    """What is in it once a fresh supply is."""
    if not run.full or run.full <= 0.0:
        return None
    enough_alone = slot.whole and run.full + CRUMB >= (run.usage or 0.0)
    return run.full if enough_alone else rest + run.full


@dataclass(frozen=True, slots=True)
class Due:
    """One supply of a part to be there ``by`` a moment; ``None``: when isn't known."""

    part: str
    kind: str | None
    by: Instant | None


def walks(dues: Sequence[Due]) -> list[list[Due]]:
    """What to fetch in one walk: the soonest, and with it what falls due within an hour of it; last what has
    no time."""
    timed = sorted((due for due in dues if due.by is not None), key=lambda due: due.by or 0)
    found: list[list[Due]] = []
    for due in timed:
        if not found or (due.by or 0) >= (found[-1][0].by or 0) + TOGETHER:
            found.append([])
        found[-1].append(due)
    untimed = [due for due in dues if due.by is None]
    return [*found, untimed] if untimed else found


def by_part(dues: Iterable[Due]) -> list[tuple[str, str | None, int]]:
    """(part, kind, how many), in the order in which the parts first come."""
    wanted: dict[tuple[str, str | None], int] = {}
    for due in dues:
        wanted[due.part, due.kind] = wanted.get((due.part, due.kind), 0) + 1
    return [(part, kind, supplies) for (part, kind), supplies in wanted.items()]
