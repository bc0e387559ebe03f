"""Why a line stood at a moment, or that it worked: put together from the review of the time around it.

Pure. The line's time is that of its last station, put down to the stop that began it, as everywhere in a
review; where the line worked on while a station stood, that is said as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.model import (
    SECOND,
    Instant,
    from_clock,
    from_datetime,
    from_rfc3339,
    to_datetime,
    to_rfc3339,
)
from service.domain.track import Cause

Json = dict[str, Any]
MINUTE: Instant = 60 * SECOND
BEFORE, BEHIND = 60 * MINUTE, 30 * MINUTE
"""What is reviewed around the moment."""
STEP: Instant = 10 * MINUTE
"""Who asks for moments near one another is answered from the same review."""
AROUND: Instant = 10 * MINUTE
"""What is shown of it."""
_CLOCK = re.compile(r"([01]?\d|2[0-3]):[0-5]\d(:[0-5]\d)?")
_SHAPES = "at: write a clock time such as 10:42, or a moment such as 2026-03-02T10:42"
_HELD = frozenset({Cause.HELD.value, Cause.STARVED.value})
_NOBODYS = frozenset({Cause.REST.value, Cause.NO_ORDER.value})
_DAYS_BACK = 3
"""A time that a day's clocks leap over was last shown the day before."""


def moment_asked(text: str, zone: ZoneInfo, now: Instant) -> Instant:
    """A moment as people write it: RFC 3339, without an offset by the site's clocks, or a clock time alone,
    which is the last such moment. ``ValueError`` says what is wrong: nothing was before 1970, nor is after
    ``now``."""
    text = text.strip()
    if _CLOCK.fullmatch(text):
        return _last(time.fromisoformat(text.zfill(5 if text.count(":") == 1 else 8)), zone, now)
    try:
        at = from_clock(text.replace(" ", "+") if "T" in text else text, zone)
    except (ValueError, OverflowError):
        raise ValueError(_SHAPES) from None
    if at < 0:
        raise ValueError(_SHAPES)
    if at > now:
        raise ValueError("at: lies ahead")
    return at


def _last(wall: time, zone: ZoneInfo, now: Instant) -> Instant:
    """When the clocks last showed it; of two times in a night that has it twice the later one."""
    today = to_datetime(now).astimezone(zone).date()
    shown = (
        datetime.combine(today - timedelta(days=back), wall.replace(fold=fold), zone)
        for back in range(_DAYS_BACK)
        for fold in (0, 1)
    )
    moments = [from_datetime(each) for each in shown if _is_shown(each, zone)]
    return max(each for each in moments if each <= now)


def _is_shown(local: datetime, zone: ZoneInfo) -> bool:
    back = to_datetime(from_datetime(local)).astimezone(zone)
    return back.replace(tzinfo=None, fold=0) == local.replace(tzinfo=None, fold=0)


def around(at: Instant, now: Instant) -> tuple[Instant, Instant]:
    """The time to review: the same for a minute, so that who asks again finds it."""
    since = (at - BEFORE) // STEP * STEP
    return since, max(at + 1, min(-(-(at + BEHIND) // STEP) * STEP, now // MINUTE * MINUTE))


def standstill(report: Json, line: str, at: Instant) -> Json:
    """``report`` of ``around``. A moment without seconds is a whole minute: the first standstill in it
    counts. ``KeyError``: the line isn't in the report."""
    found = next((each for each in report["lines"] if each["line"] == line), None)
    if found is None:
        raise KeyError(line)
    stops = [each for each in report["stops"] if each["line"] == line]
    asked = to_rfc3339(at)
    minute = to_rfc3339(at + MINUTE)
    moment = asked if at % MINUTE else _first(found["whole"], stops, asked, minute)
    at = from_rfc3339(moment)
    here = [each for each in stops if _covers(each, moment)]
    whole = next((each for each in found["whole"] if _covers(each, moment)), None)
    stood = whole is not None and whole["cause"] is not None
    began = _began(stops, here, whole) if stood else None
    alone = [] if stood else [each for each in here if each["cause"] not in _NOBODYS]
    why = began or next((each for each in alone if each["blamed"]), None)
    return {
        "line": line,
        "asked": asked,
        "at": moment,
        "timezone": report["timezone"],
        "from": report["from"],
        "to": report["to"],
        "known": whole is not None and whole["cause"] != Cause.UNHEARD,
        "stood": stood,
        "since": _edge(found["whole"], whole, -1) if stood else None,
        "until": _edge(found["whole"], whole, 1) if stood else None,
        "goes_on": bool(stood and whole is not None and _edge(found["whole"], whole, 1) == report["to"]),
        "cause": whole["cause"] if stood and whole is not None else None,
        "began": began,
        "alone": alone,
        "held": [_brief(each) for each in here if why is not None and _waits_for(each, why, here)],
        "warning": None if why is None else _warning(report, why),
        "before": _nearest(stops, moment, after=False),
        "after": _nearest(stops, moment, after=True),
        "stations": [_station(found, name, here, moment) for name in found["stations"]],
        "shown": {
            "from": to_rfc3339(max(at - AROUND, from_rfc3339(report["from"]))),
            "to": to_rfc3339(min(at + AROUND, from_rfc3339(report["to"]))),
        },
        "timeline": found,
        "road": _road(report, line, moment if why is None else min(moment, why["since"])),
        "warnings": [each for each in report["warnings"]["each"] if each["line"] == line],
    }


def _first(whole: Sequence[Json], stops: Sequence[Json], moment: str, until: str) -> str:
    """The first moment of the time at which the line stood, else a station by its own fault, else its
    beginning."""
    for pieces in (
        [each for each in whole if each["cause"] is not None],
        [each for each in stops if each["blamed"]],
    ):
        begins = [max(each["since"], moment) for each in pieces if each["until"] > moment]
        first = min(begins, default=until)
        if first < until:
            return str(first)
    return moment


def _covers(piece: Mapping[str, Any], moment: str) -> bool:
    """Moments of a report are all written alike, so their texts are in order."""
    return bool(piece["since"] <= moment < piece["until"])


def _began(stops: Sequence[Json], here: Sequence[Json], whole: Json | None) -> Json | None:
    """The stop that the line's piece is put down to: it may be over where the last station still waits."""
    if whole is None:
        return None
    fits = [
        each
        for each in stops
        if (each["station"], each["cause"]) == (whole["station"], whole["cause"])
        and each["since"] < whole["until"]
    ]
    return max(fits, key=lambda each: each["since"], default=next(iter(here), None))


def _edge(pieces: Sequence[Json], whole: Json | None, way: int) -> str | None:
    """Where the standing began or ended, over pieces that follow one another, whatever their cause."""
    if whole is None:
        return None
    number = pieces.index(whole)
    while 0 <= number + way < len(pieces) and pieces[number + way]["cause"] is not None:
        number += way
    return str(pieces[number]["since" if way < 0 else "until"])


def _waits_for(stop: Json, why: Json, here: Iterable[Json]) -> bool:
    """Itself, or through others that wait."""
    by_station = {each["station"]: each for each in here}
    seen = {stop["station"]}
    while stop["cause"] in _HELD and stop["because_of"] not in (None, *seen):
        if stop["because_of"] == why["station"]:
            return True
        seen.add(stop["because_of"])
        stop = by_station.get(stop["because_of"], stop)
    return False


def _road(report: Json, line: str, moment: str) -> Json | None:
    """What was ahead of the line, the last time that this was kept before the moment."""
    kept = next((each for each in report.get("moments", ()) if each["line"] == line), None)
    earlier = [] if kept is None else [each for each in kept["moments"] if each["at"] <= moment]
    return {"line": kept, "moment": earlier[-1]} if earlier else None


def _brief(stop: Json) -> Json:
    return {name: stop[name] for name in ("station", "cause", "since", "until", "because_of")}


def _warning(report: Json, why: Json) -> Json | None:
    """The last one about the slot before it stood for it was over."""
    place = why["line"], why["station"], why["slot"]
    told = [
        each
        for each in report["warnings"]["each"]
        if (each["line"], each["station"], each["slot"]) == place and each["opened"] < why["until"]
    ]
    return max(told, key=lambda each: str(each["opened"]), default=None)


def _nearest(stops: Iterable[Json], moment: str, *, after: bool) -> Json | None:
    """The nearest stop that somebody could have done something about."""
    own = [each for each in stops if each["blamed"]]
    if after:
        later = [each for each in own if each["since"] > moment]
        return min(later, key=lambda each: str(each["since"]), default=None)
    earlier = [each for each in own if each["until"] <= moment]
    return max(earlier, key=lambda each: str(each["until"]), default=None)


def _station(line: Json, name: str, here: Sequence[Json], moment: str) -> Json:
    """What a station did then, and since when."""
    piece = next((each for each in line["stretches"][name] if _covers(each, moment)), None)
    stop = next((each for each in here if each["station"] == name), None)
    tower = next((each for each in line["timeline"][name] if _covers(each, moment)), None)
    return {
        "station": name,
        "cause": None if piece is None else piece["cause"],
        "since": None if piece is None else piece["since"],
        "until": None if piece is None else piece["until"],
        "slot": None if stop is None else stop["slot"],
        "because_of": None if stop is None else stop["because_of"],
        "tower": None if tower is None else tower["reading"],
    }
