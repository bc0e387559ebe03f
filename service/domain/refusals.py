"""When refused messages are worth a notice: one for the many that a wrong gateway sends.

Decides what share is too much and when it is over. The tallies aren't part of the world: what a replay needs
is the event that says a limit was passed."""

from __future__ import annotations

import msgspec

from service.domain import standing
from service.domain.events import Refusals
from service.domain.model import SECOND, Instant, Level
from service.domain.notices import Told
from service.domain.said import Said
from service.domain.world import World

KIND = "refused"
WINDOW = 300 * SECOND
FEWEST = 5
"""One message that doesn't fit is somebody's experiment; a station speaks a few times a minute."""
SHARE = 0.2
"""A program at fault spoils one kind of message at least, and a gateway sends five kinds."""
QUIET = 600 * SECOND
"""Two windows without a refusal: whatever sent them has been mended or is gone."""


class Tally(msgspec.Struct, frozen=True):
    """What came from one place since ``began``, when it was last refused, and whether people know."""

    began: Instant
    last: Instant
    refused: int = 0
    heard: int = 0
    told: bool = False


def note(tally: Tally | None, at: Instant, *, refused: bool) -> Tally | None:
    """The tally after one more message; a place has none before its first refusal."""
    if tally is None:
        return Tally(at, at, 1, 1) if refused else None
    if at - tally.began > WINDOW:
        return Tally(at, at if refused else tally.last, int(refused), 1, tally.told)
    last = at if refused else tally.last
    return Tally(tally.began, last, tally.refused + refused, tally.heard + 1, tally.told)


def are_many(tally: Tally) -> bool:
    return tally.refused >= FEWEST and tally.refused >= SHARE * tally.heard


def are_over(tally: Tally, at: Instant) -> bool:
    return at - tally.last >= QUIET


def apply(world: World, event: Refusals, line: str, station: str | None, at: Instant) -> list[Told]:
    """The notice of one place begins or ends; without a line it is about messages from no place we know, or
    about those of a whole source."""
    known = line or None
    if event.over:
        return standing.end(world, KIND, event.source, at, line=known, station=station)
    said = Said(
        "{place}: {refused} of {heard} messages were refused. The last: {reason}",
        {
            "place": _place(event, line, station),
            "refused": event.refused,
            "heard": event.heard,
            "reason": event.reason,
        },
    )
    return standing.begin(world, KIND, event.source, said, at, line=known, station=station, level=Level.EARLY)


def _place(event: Refusals, line: str, station: str | None) -> str | Said:
    if line:
        return " ".join(part for part in (line, station) if part)
    return Said("Source {source}", {"source": event.source}) if event.source else Said("Unknown places")
