"""Who sends what doesn't fit: a tally for each place that was refused something lately.

Bounded: places we don't know share one tally, so invented topics can't fill the memory; a source in another
language has one for all it says. Decides nothing that a replay would have to know; that is the event it
answers with."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future

import msgspec

from service.domain import refusals
from service.domain.events import Refusals
from service.domain.model import Instant
from service.domain.refusals import Tally
from service.domain.world import World
from service.usecases.batch import Ask
from service.wire.native import Address

Place = tuple[str, str, str]
"""Line and station where they are known, else the source (``""``: that of ``[mqtt]``)."""
NOWHERE: Place = ("", "", "")
_LONGEST_REASON = 200


class Tallies:
    """``note`` each message; what it answers is to be applied and recorded."""

    def __init__(self) -> None:
        self._kept: dict[Place, Tally] = {}

    def __bool__(self) -> bool:
        return bool(self._kept)

    def snapshot(self) -> dict[Place, Tally]:
        return dict(self._kept)

    def restore(self, kept: dict[Place, Tally]) -> None:
        self._kept = kept

    def note_fit(self, place: Place, at: Instant) -> None:
        known = self._kept.get(place)
        if known is not None:
            self._keep(place, refusals.note(known, at, refused=False))

    def note_refused(self, place: Place, reason: str, at: Instant) -> Refusals | None:
        """The event that a limit was passed, once for each spell."""
        tally = refusals.note(self._kept.get(place), at, refused=True)
        self._keep(place, tally)
        if tally is None or tally.told or not refusals.are_many(tally):
            return None
        self._keep(place, msgspec.structs.replace(tally, told=True))
        return Refusals(
            refused=tally.refused, heard=tally.heard, reason=reason[:_LONGEST_REASON], source=place[2]
        )

    def over(self, world: World, at: Instant) -> Iterator[Place]:
        """Places whose notice has to end. After a start of ours, refusals count as seen just now."""
        for standing in list(world.standing.values()):
            notice = standing.notice
            if notice is not None and notice.kind == refusals.KIND:
                place = (notice.line or "", notice.station or "", notice.about or "")
                self._kept.setdefault(place, Tally(at, at, told=True))
        for place, tally in list(self._kept.items()):
            if refusals.are_over(tally, at):
                del self._kept[place]
                if tally.told:
                    yield place

    def calm(self, world: World, at: Instant) -> Iterator[Ask]:
        """What ends those notices."""
        for line, station, source in self.over(world, at):
            over = Refusals(over=True, source=source)
            yield Ask(Address("refusals", line, station or None), over, msgspec.json.encode(over), Future())

    def _keep(self, place: Place, tally: Tally | None) -> None:
        if tally is not None:
            self._kept[place] = tally


def place_in(world: World, topic: bytes, root: str, source: str) -> Place:
    """The known station that a topic of ours names, however little of it fits."""
    if source:
        return of_source(source)
    parts = topic.decode("utf-8", "replace").removeprefix(root + "/").split("/")
    if len(parts) < 2 or (parts[0], parts[1]) not in world.stations:
        return NOWHERE
    return parts[0], parts[1], ""


def of_source(source: str) -> Place:
    return "", "", source
