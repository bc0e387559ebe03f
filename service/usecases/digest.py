"""What people are told at a change of shifts and once a week, in sections, before any language.

Pure: the handover comes in as the page shows it, what was lost as sums of hourly figures. It is kept short:
the worst comes first, and what is left out is counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.lost import SUPPLIES
from service.domain.model import Instant, to_rfc3339
from service.domain.said import Said, Value
from service.domain.sayings import sheet
from service.domain.spoken import CAUSES, lasted
from service.domain.sums import Sums
from service.usecases.handed import Handed, Section, name_of, part_of

Json = dict[str, Any]
Part = tuple[Said, Sequence[Said]]

MOST = 6
"""Rows of a section."""
FEW_LINES = 3
"""Lines that are named in a headline."""
A_SECOND = 1000
A_MINUTE = 60_000
"""Milliseconds: less than that isn't worth a row or a difference."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftOver:
    """``lost`` ``None``: it couldn't be reviewed. ``before``: the last shifts of the same times whose every
    hour has figures."""

    lines: Sequence[str]
    since: Instant
    until: Instant
    handover: Json
    lost: Sums | None
    before: Sequence[Sums]


@dataclass(frozen=True, slots=True, kw_only=True)
class WeekOver:
    """``lines``: sums of each line in this week and in the one before (``None``: not every hour of it has
    figures). ``people``: messages that each got. ``whole``: every hour of this week has figures."""

    since: Instant
    until: Instant
    lines: Sequence[tuple[str, Sums, Sums | None]]
    people: Sequence[tuple[str, int]]
    whole: bool


def shift_over(told: ShiftOver, zone: ZoneInfo) -> Said:
    """The message at a change of shifts."""
    handed = Handed(told.handover, zone)
    now, ahead = handed.now(), handed.ahead()[:1]
    shown = [*now[:1], *[each for each in now[1:] if each.rows], *ahead]
    return sheet(_shift_headline(told), [*_losses(told), *map(_part_of, shown)])


def _shift_headline(told: ShiftOver) -> Said:
    values: dict[str, Value] = {
        "lines": _lines(told.lines),
        "since_at": to_rfc3339(told.since),
        "until_at": to_rfc3339(told.until),
    }
    if told.lost is None:
        return Said("{lines}, {since_at} to {until_at}: what was lost isn't known.", values)
    if told.lost.lost_ms < A_MINUTE:
        return Said("{lines}, {since_at} to {until_at}: no minute was lost to stops.", values)
    values["time"] = lasted(told.lost.lost_ms)
    return Said("{lines}, {since_at} to {until_at}: {time} lost to stops.", values)


def _losses(told: ShiftOver) -> list[Part]:
    if told.lost is None:
        unknown = Said("Nothing was heard in it, or it couldn't be reviewed; the log says more.")
        return [(Said("Lost, and why"), [unknown])]
    rows = [*_causes(told.lost, told.before), *_compared(told.lost, told.before)]
    parts: list[Part] = [(Said("Lost, and why"), rows)]
    worst = _worst(told.lost, alone=len(told.lines) == 1)
    return [*parts, (Said("Where most was lost"), worst)] if worst else parts


def _causes(lost: Sums, before: Sequence[Sums]) -> list[Said]:
    """Each cause, the longest first, beside what it usually takes."""
    rows = []
    for cause, stood in sorted(lost.cost_ms.items(), key=lambda item: -item[1]):
        if stood < A_MINUTE:
            continue
        values: dict[str, Value] = {
            "time": lasted(stood),
            "cause": CAUSES[cause],
            "stops": _stops(lost.stops.get(cause, 0.0)),
        }
        if before:
            values["usual"] = _or_none(_mean([each.cost_ms.get(cause, 0.0) for each in before]))
            rows.append(Said("{cause}: {time}, {stops}; usually {usual}", values))
        else:
            rows.append(Said("{cause}: {time}, {stops}", values))
    return rows


def _compared(lost: Sums, before: Sequence[Sums]) -> list[Said]:
    if not before:
        return [Said("No comparison yet: no shift before has figures.")]
    each = [one.lost_ms for one in before]
    usual = _mean(each)
    values: dict[str, Value] = {
        "number": len(before),
        "usual": _or_none(usual),
        "least": _or_none(min(each)),
        "most": lasted(max(each)),
        "change": _change(lost.lost_ms, usual),
    }
    if len(before) == 1:
        return [Said("The shift before of these times lost {usual}: {change} this time.", values)]
    return [
        Said(
            "The last {number} shifts of these times lost {usual} on average ({least} to {most}): "
            "{change} this time.",
            values,
        )
    ]


def _change(now: float, then: float) -> Said:
    if abs(now - then) < A_MINUTE:
        return Said("as much")
    values: dict[str, Value] = {"time": lasted(now - then)}
    return Said("{time} more", values) if now > then else Said("{time} less", values)


def _worst(lost: Sums, *, alone: bool) -> list[Said]:
    """The slots and stations at which most was lost."""
    found = _slots(lost, alone=alone)
    for (line, station, cause), stood in lost.stations.items():
        if cause not in SUPPLIES:
            where = station if alone else f"{line} {station}"
            found.append((stood.cost_ms, _lost_at(where, CAUSES[cause], stood.cost_ms, stood.stops)))
    return _merged([[each for each in found if each[0] >= A_MINUTE]])


def _lost_at(where: str, what: Said, stood: float, stops: float) -> Said:
    values: dict[str, Value] = {"place": where, "what": what, "time": lasted(stood), "stops": _stops(stops)}
    return Said("{place}, {what}: {time}, {stops}", values)


def week_over(told: WeekOver, site: str) -> Said:
    """The weekly message."""
    return sheet(_week_headline(told, site), list(_week_parts(told)))


def _week_headline(told: WeekOver, site: str) -> Said:
    now = sum(each.lost_ms for _, each, _ in told.lines)
    known = [then.lost_ms for _, _, then in told.lines if then is not None]
    values: dict[str, Value] = {
        "site": site,
        "since_on": to_rfc3339(told.since),
        "until_on": to_rfc3339(told.until - 1),
        "time": lasted(now),
    }
    if not told.lines or len(known) < len(told.lines):
        return Said("{site}, {since_on} to {until_on}: {time} lost to stops.", values)
    if abs(now - sum(known)) < A_MINUTE:
        return Said("{site}, {since_on} to {until_on}: {time} lost to stops, as in the week before.", values)
    values["change"] = _change(now, sum(known))
    return Said(
        "{site}, {since_on} to {until_on}: {time} lost to stops, {change} than in the week before.", values
    )


def _week_parts(told: WeekOver) -> Iterable[Part]:
    if not told.whole:
        yield Said("To know"), [Said("Not every hour of this week has figures.")]
    for line, now, then in told.lines:
        rows = [*_week_causes(now, then), _warnings(now)]
        yield Said("Line {line}", {"line": line}), rows
    worst = _merged([_slots(now) for _, now, _ in told.lines])
    if worst:
        yield Said("Supplies that cost most"), worst
    losing = _merged([_losing(now) for _, now, _ in told.lines])
    if losing:
        yield Said("Most parts lost"), losing
    yield Said("Messages"), _people(told.people)


def _week_causes(now: Sums, then: Sums | None) -> list[Said]:
    causes = {**now.cost_ms, **({} if then is None else then.cost_ms)}
    rows = []
    for cause in sorted(causes, key=lambda each: -now.cost_ms.get(each, 0.0)):
        stood, before = now.cost_ms.get(cause, 0.0), 0.0 if then is None else then.cost_ms.get(cause, 0.0)
        if max(stood, before) < A_MINUTE:
            continue
        values: dict[str, Value] = {
            "time": lasted(stood),
            "cause": CAUSES[cause],
            "stops": _stops(now.stops.get(cause, 0.0)),
            "before": _or_none(before),
        }
        if then is None:
            rows.append(Said("{cause}: {time}, {stops}", values))
        else:
            rows.append(Said("{cause}: {time}, {stops}; the week before {before}", values))
    if not rows:
        rows.append(Said("No minute was lost to stops."))
    return [*rows, Said("No comparison yet: the week before has no figures.")] if then is None else rows


def _warnings(now: Sums) -> Said:
    values: dict[str, Value] = {
        "number": round(now.opened),
        "in_time": round(now.in_time),
        "late": round(now.late),
        "missed": round(now.missed),
    }
    return Said(
        "{number} warning; {in_time} known to be in time, {late} late, {missed} missed",
        values,
        many="{number} warnings; {in_time} known to be in time, {late} late, {missed} missed",
    )


def _slots(now: Sums, *, alone: bool = False) -> list[tuple[float, Said]]:
    """``alone``: without the line, which is the only one."""
    return [
        (
            each.cost_ms,
            _lost_at(" ".join(place[alone:]), part_of(each.part), each.cost_ms, each.stops),
        )
        for place, each in now.slots.items()
        if each.cost_ms >= A_MINUTE
    ]


def _losing(now: Sums) -> list[tuple[float, Said]]:
    """Slots by the parts they lost, with their share of those that were picked."""
    rows = []
    for place, each in now.slots.items():
        lost = round(each.lost)
        if lost:
            values: dict[str, Value] = {
                "place": " ".join(place),
                "what": part_of(each.part),
                "number": lost,
                "percent": round(100 * each.lost / (each.placed + each.lost), 1),
            }
            said = Said(
                "{place}, {what}: {number} part, {percent} % of what it picked in those hours",
                values,
                many="{place}, {what}: {number} parts, {percent} % of what it picked in those hours",
            )
            rows.append((each.lost, said))
    return rows


def _merged(found: Iterable[list[tuple[float, Said]]]) -> list[Said]:
    """The most first."""
    ranked = sorted((each for some in found for each in some), key=lambda each: -each[0])
    return _short([row for _, row in ranked])


def _people(people: Sequence[tuple[str, int]]) -> list[Said]:
    if not people:
        return [Said("Nobody got any.")]
    return _short(
        [
            Said(
                "{person}: {number} message",
                {"person": person, "number": number},
                many="{person}: {number} messages",
            )
            for person, number in sorted(people, key=lambda each: -each[1])
        ],
        most=20,
    )


def _part_of(section: Section) -> Part:
    rows = [Said("{place}: {facts}", {"place": row.where, "facts": row.facts}) for row in section.rows]
    return section.title, _short(rows) or [section.none]


def _short(rows: list[Said], most: int = MOST) -> list[Said]:
    """What is left out is counted."""
    if len(rows) <= most:
        return rows
    more = len(rows) - most
    return [*rows[:most], Said("and {number} more", {"number": more}, many="and {number} more")]


def _lines(lines: Sequence[str]) -> Said:
    if len(lines) <= FEW_LINES:
        return name_of(", ".join(lines))
    return Said("1 line", {"number": len(lines)}, many="{number} lines")


def _stops(stops: float) -> Said:
    return Said("1 stop", {"number": round(stops)}, many="{number} stops")


def _or_none(milliseconds: float) -> Said:
    return lasted(milliseconds) if milliseconds >= A_SECOND else Said("nothing")


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
