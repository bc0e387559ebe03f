"""What somebody who wasn't there needs first: three to six sentences, the same as the figures behind them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from service.domain.said import Said, Value, put
from service.domain.spoken import CAUSES, lasted
from service.domain.track import Cause

Json = dict[str, Any]
MOST_LINES = 3
MOST_SLOTS = 3
A_MINUTE = 60_000
_NOT_STOOD = frozenset({"work", Cause.REST, Cause.NO_ORDER, Cause.UNHEARD})
"""What a line isn't blamed for standing in: nobody wanted it to work, or nobody knows."""


def summary(report: Json, zone: ZoneInfo) -> list[Json]:
    return [said_object(each, zone) for each in sentences(report)]


def said_object(said: Said, zone: ZoneInfo) -> Json:
    return {"message": put(said, zone), "said": msgspec.to_builtins(said)}


def sentences(report: Json) -> list[Said]:
    """The most important first."""
    return [
        *_lines(report["lines"]),
        _supplies(report["stops"]),
        *_warnings(report["warnings"]),
        *_losses(report["losses"]),
        *_plans(report["plan"]),
        *_doubts(report),
    ]


# How long lines stood


def stood_ms(line: Json) -> int:
    """How long the line stood, but for planned rest, times without an order and what nobody heard of."""
    causes = _causes(line)
    return sum(each for cause, each in causes.items() if cause not in _NOT_STOOD)


def _causes(line: Json) -> dict[str, int]:
    times = line["times"]["line"]
    return {} if times is None else times["causes"]


def _lines(lines: Iterable[Json]) -> Iterator[Said]:
    known = sorted((each for each in lines if each["times"]["line"]), key=lambda each: -stood_ms(each))
    for each in known[:MOST_LINES]:
        yield _line(each)
    rest = known[MOST_LINES:]
    if rest:
        yield Said(
            "One more line stood {time}.",
            {"number": len(rest), "time": lasted(sum(map(stood_ms, rest)))},
            many="{number} more lines stood {time} together.",
        )


def _line(line: Json) -> Said:
    stood, causes = stood_ms(line), _causes(line)
    wall = sum(causes.values())
    values: dict[str, Value] = {"line": line["line"], "time": lasted(stood), "of": lasted(wall)}
    if stood < A_MINUTE:
        return Said("Line {line} worked all the time: less than a minute of {of} was lost.", values)
    rows = sorted(
        ((each, cause) for cause, each in causes.items() if cause not in _NOT_STOOD and each >= A_MINUTE / 2),
        reverse=True,
    )
    values["causes"] = tuple(
        Said("{cause} {time}", {"cause": CAUSES[cause], "time": lasted(each)}) for each, cause in rows
    )
    return Said("Line {line} stood {time} of {of}: {causes}.", values)


# For want of supplies


def by_slot(stops: Iterable[Json]) -> list[tuple[Json, int, int]]:
    """A stop for each slot, the milliseconds that its station stood for it, and how often; the longest
    first."""
    stood: dict[tuple[str, ...], int] = defaultdict(int)
    number: dict[tuple[str, ...], int] = defaultdict(int)
    one: dict[tuple[str, ...], Json] = {}
    for stop in stops:
        if stop["cause"] == Cause.SUPPLY:
            key = stop["line"], stop["station"], stop["slot"] or ""
            stood[key] += stop["stood_ms"]
            number[key] += 1
            one.setdefault(key, stop)
    ranked = sorted(stood, key=lambda key: (-stood[key], key))
    return [(one[key], stood[key], number[key]) for key in ranked]


def _supplies(stops: Iterable[Json]) -> Said:
    found = by_slot(stops)
    if not found:
        return Said("No station stood for want of a supply.")
    total = sum(stood for _, stood, _ in found)
    values: dict[str, Value] = {
        "number": sum(number for _, _, number in found),
        "time": lasted(total),
        "slots": tuple(_slot(*each) for each in found[:MOST_SLOTS]),
    }
    if len(found) <= MOST_SLOTS:
        return Said(
            "Once a station stood for want of a supply, {time}: {slots}.",
            values,
            many="{number} times a station stood for want of a supply, together {time}: {slots}.",
        )
    return Said(
        "{number} times a station stood for want of a supply, together {time}; most: {slots}.", values
    )


def _slot(stop: Json, stood: int, number: int) -> Said:
    place = " ".join(part for part in (stop["line"], stop["station"], stop["slot"]) if part)
    values: dict[str, Value] = {"place": place, "part": stop["part"] or "", "time": lasted(stood)}
    if number > 1:
        values["times"] = number
        if stop["part"]:
            return Said("{place} ({part}) {time} in {times} stops", values)
        return Said("{place} {time} in {times} stops", values)
    return Said("{place} ({part}) {time}", values) if stop["part"] else Said("{place} {time}", values)


# Whether people were warned


def _warnings(warnings: Json) -> Iterator[Said]:
    verdicts = warnings["verdicts"]
    if not warnings["number"]:
        yield Said("Nobody was warned of anything.")
        return
    yield Said(
        "One warning (in time: {in_time}, late: {late}, missed: {missed}, for nothing: {needless}).{took}",
        {
            "number": warnings["number"],
            "in_time": verdicts["in time"],
            "late": verdicts["late"],
            "missed": verdicts["missed"],
            "needless": verdicts["needless"],
            "took": _took(warnings["taken"]),
        },
        many="{number} warnings (in time: {in_time}, late: {late}, missed: {missed}, for nothing:"
        " {needless}).{took}",
    )


def _took(taken: Json) -> Said | str:
    if not taken["taken"]:
        return Said(" Nobody said that they had taken one.")
    values: dict[str, Value] = {"time": lasted(taken["median_ms"]), "number": taken["nobody"]}
    if not taken["nobody"]:
        return Said(" Half of those that were taken were within {time}.", values)
    return Said(
        " Half of those that were taken were within {time}; one was over before anybody took it.",
        values,
        many=" Half of those that were taken were within {time}; {number} were over before anybody took"
        " them.",
    )


# What lost, what was planned, what is in doubt


def _losses(losses: Iterable[Json]) -> Iterator[Said]:
    said = [each for each in losses if each["said"] is not None]
    for each in said[:1]:
        values: dict[str, Value] = {
            "place": f"{each['line']} {each['station']}",
            "sentence": msgspec.convert(each["said"], Said),
        }
        yield Said("{place}: {sentence}.", values)
    if len(said) > 1:
        yield Said(
            "One more slot lost more than it should.",
            {"number": len(said) - 1},
            many="{number} more slots lost more than they should.",
        )


def _plans(plans: Iterable[Json]) -> Iterator[Said]:
    kept: dict[str, int] = defaultdict(int)
    for plan in plans:
        for name, number in plan["kept"].items():
            kept[name] += number
    judged = kept["in it"] + kept["earlier"] + kept["later"] + kept["never"]
    if judged:
        yield Said(
            "One exchange was planned (made in its stop: {in_it}, before it: {earlier}, after it: {later},"
            " never: {never}).",
            {
                "number": judged,
                "in_it": kept["in it"],
                "earlier": kept["earlier"],
                "later": kept["later"],
                "never": kept["never"],
            },
            many="{number} exchanges were planned (made in their stop: {in_it}, before it: {earlier},"
            " after it: {later}, never: {never}).",
        )


def _doubts(report: Json) -> Iterator[Said]:
    unheard = [
        (times["unheard_ms"], f"{line['line']} {name}")
        for line in report["lines"]
        for name, times in line["times"]["stations"].items()
        if times is not None and times["unheard_ms"] >= A_MINUTE
    ]
    if unheard:
        longest, where = max(unheard)
        yield Said(
            "Nothing was heard of {where} for {time}: what it did then isn't known.",
            {"number": len(unheard), "where": where, "time": lasted(longest)},
            many="Nothing was heard of {number} stations for a time, longest of {where} ({time}): what they"
            " did then isn't known.",
        )
    changed = report["settings"]["changed"]
    if changed:
        yield Said(
            "The settings changed at {changed_at}.",
            {"number": len(changed), "changed_at": changed[-1]},
            many="The settings changed {number} times, last at {changed_at}.",
        )
