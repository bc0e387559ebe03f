"""What one shift tells the next: what is open, who is on what, what falls due soon, what happened, and what
one must know.

Pure: put together from what the reading side shows anyway, so a handover never contradicts the page. It
decides what belongs in and in which order; how it is said is the page's business.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from service.domain.model import SECOND, Instant, Level, NoticeState, from_rfc3339, to_rfc3339

Json = dict[str, Any]

HOUR: Instant = 3600 * SECOND
WITHOUT_SHIFTS: Instant = 8 * HOUR
AROUND_ITS_END: Instant = HOUR // 2
"""So long after a shift began, a handover is still that of the one before."""
_PLACE = ("line", "station", "slot")
_SUPPLY = (*_PLACE, "part", "kind", "state", "panels_to_empty", "empty_at", "boundary_only", "notice")


@dataclass(frozen=True, slots=True)
class Turn:
    """The time that is handed over: ``since`` then; ``ends`` when the shift does, ``None`` where no shift is
    configured."""

    since: Instant
    ends: Instant | None = None


def turn_of(shift: tuple[Instant, Instant] | None, at: Instant) -> Turn:
    """The shift that ran half an hour ago; where none did, the last eight hours."""
    return Turn(at - WITHOUT_SHIFTS) if shift is None else Turn(*shift)


def assemble(
    *,
    line: str | None,
    lines: Sequence[Json],
    slots: Sequence[Json],
    notices: Sequence[Json],
    closed: Sequence[Json],
    at: Instant,
    turn: Turn,
    hours: float,
) -> Json:
    """The handover of a ``line`` (``None``: of all) at ``at``. ``notices`` are those that aren't closed,
    ``closed`` the newest that are."""
    ahead = soon(slots, until=at + round(hours * HOUR))
    supply = [each for each in notices if each["kind"] == "supply"]
    return {
        "line": line,
        "at": to_rfc3339(at),
        "since": to_rfc3339(turn.since),
        "shift_ends": None if turn.ends is None else to_rfc3339(turn.ends),
        "until": to_rfc3339(at + round(hours * HOUR)),
        "open": _worst_first(supply, NoticeState.OPEN),
        "taken": _worst_first(supply, NoticeState.TAKEN),
        "quiet": _worst_first(supply, NoticeState.QUIET),
        "questions": [each for each in notices if each["kind"] == "question"][::-1],
        "next": ahead,
        "bring": bring(ahead),
        "happened": happened([each for each in closed if from_rfc3339(each["closed_at"]) >= turn.since]),
        "other": [each for each in notices if each["kind"] not in {"supply", "question"}],
        "stations": list(_troubles(lines)),
    }


def soon(slots: Iterable[Json], *, until: Instant) -> list[Json]:
    """The slots that may run empty until then, or are empty, soonest first. One that outlasts the order with
    what is surely in it needs nobody."""
    near = [slot for slot in slots if _may_run_out(slot, until)]
    return [
        {key: slot[key] for key in _SUPPLY} | {"likely": slot["state"] == "empty" or _empty(slot) <= until}
        for slot in sorted(near, key=lambda slot: (slot["state"] != "empty", _empty(slot)))
    ]


def _may_run_out(slot: Json, until: Instant) -> bool:
    if slot["state"] == "empty":
        return True
    times, panels, needed = slot["empty_at"], slot["panels_to_empty"], slot["order_panels_left"]
    if slot["state"] == "idle" or times is None or panels is None:
        return False
    return from_rfc3339(times["p05"]) <= until and (needed is None or panels["p05"] < needed)


def bring(ahead: Iterable[Json]) -> list[Json]:
    """What to fetch for all of them, summed by part: one supply for each slot, the soonest part first."""
    parts: dict[tuple[str | None, str | None], list[Json]] = {}
    for slot in ahead:
        # Of a part nobody knows, each slot needs a walk of its own.
        place = None if slot["part"] else slot["slot"]
        parts.setdefault((slot["part"] or place, slot["kind"]), []).append(slot)
    return [
        {
            "part": slots[0]["part"],
            "kind": kind,
            "supplies": len(slots),
            "places": [{key: slot[key] for key in _PLACE} for slot in slots],
        }
        for (_, kind), slots in parts.items()
    ]


def happened(closed: Sequence[Json]) -> Json:
    """How the warnings of the time ended, and which emptyings nobody came in time for."""
    supply = [each for each in closed if each["kind"] == "supply"]
    return {
        "ended": dict(Counter(str(each["closed_because"]) for each in supply).most_common()),
        "reached_empty": [each for each in supply if each["level"] == Level.EMPTY],
    }


def _worst_first(notices: Iterable[Json], state: NoticeState) -> list[Json]:
    return sorted(
        (each for each in notices if each["state"] == state),
        key=lambda each: (-Level(each["level"]).rank, _empty(each)),
    )


def _troubles(lines: Iterable[Json]) -> Iterable[Json]:
    """The stations whose numbers or silence should be doubted."""
    for line in lines:
        for station in line["stations"]:
            link = station["link"]
            trouble = {
                "offline_since": link["since"] if link and link["state"] == "offline" else None,
                "uncertain_since": station["uncertain_since"],
                "clock_flagged": station["clock_flagged"],
            }
            if any(trouble.values()):
                yield {"line": line["line"], "station": station["station"], **trouble}


def _empty(thing: Json) -> Instant:
    """When it is probably empty; what isn't known comes last."""
    times = thing["empty_at"]
    return from_rfc3339(times["p50"]) if times else 1 << 62
