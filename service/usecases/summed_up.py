"""What somebody who wasn't there needs first: three to six sentences, the same as the figures behind them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from service.domain.said import Said, Value, put
from service.domain.spoken import CAUSES, lasted
from service.domain.track import Cause

Json = dict[str, Any]
MOST_LINES = 8
MOST_SLOTS = 3
A_MINUTE = 60_000
A_SECOND = 1000
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
        *_supplies(report["lost"]),
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


def heard_ms(line: Json) -> int:
    """The time in which it is known what the line did."""
    causes = _causes(line)
    return sum(causes.values()) - causes.get(Cause.UNHEARD, 0)


def _causes(line: Json) -> dict[str, int]:
    times = line["times"]["line"]
    return {} if times is None else times["causes"]


def _lines(lines: Iterable[Json]) -> Iterator[Said]:
    """One in full; several by how long each stood, and what they stood for together."""
    known = sorted((each for each in lines if each["times"]["line"]), key=lambda each: -stood_ms(each))
    if len(known) == 1:
        yield _line(known[0])
    if len(known) < 2:
        return
    yield Said(
        "Of {of} each the lines stood: {lines}.",
        {
            "of": lasted(max(map(heard_ms, known))),
            "lines": tuple(
                Said("{line} {time}", {"line": each["line"], "time": lasted(stood_ms(each))})
                for each in known[:MOST_LINES]
            ),
        },
    )
    causes: dict[str, int] = defaultdict(int)
    for each in known:
        for cause, milliseconds in _causes(each).items():
            causes[cause] += milliseconds
    if rows := _ranked(causes):
        yield Said("Together they stood for: {causes}.", {"causes": rows})


def _ranked(causes: Mapping[str, int]) -> tuple[Said, ...]:
    """The longest first; what is under half a minute isn't worth a word."""
    rows = [
        (each, cause) for cause, each in causes.items() if cause not in _NOT_STOOD and each >= A_MINUTE / 2
    ]
    return tuple(
        Said("{cause} {time}", {"cause": CAUSES[cause], "time": lasted(each)})
        for each, cause in sorted(rows, reverse=True)
    )


def _line(line: Json) -> Said:
    stood, causes = stood_ms(line), _causes(line)
    values: dict[str, Value] = {"line": line["line"], "time": lasted(stood), "of": lasted(heard_ms(line))}
    if stood < A_MINUTE:
        return Said("Line {line} worked on: of the {of} that are known less than a minute was lost.", values)
    values["causes"] = _ranked(causes)
    return Said("Line {line} stood {time} of {of}: {causes}.", values)


# What supplies cost


def _supplies(lost: Json) -> Iterator[Said]:
    """As far as lines lost time to them; that no station stood for want of one is worth a word too."""
    slots = [each for each in lost["by_slot"] if each["lost_ms"] >= A_SECOND]
    out, exchanged = (sum(each[name] for each in slots) for name in ("out_ms", "exchanged_ms"))
    if not slots:
        yield Said(
            "Supplies cost the lines no time." if lost["whole_ms"] else "Nothing is known of the lines."
        )
        return
    values: dict[str, Value] = {
        "time": lasted(out + exchanged),
        "out": lasted(out),
        "exchanged": lasted(exchanged),
        "slots": tuple(_slot(each) for each in slots[:MOST_SLOTS]),
    }
    if out and exchanged:
        yield Said(
            "Supplies cost {time} ({out} ran out, {exchanged} exchanged in time), most: {slots}.", values
        )
    elif out:
        yield Said("Supplies that ran out cost {time}, most: {slots}.", values)
    else:
        yield Said(
            "No line stood for want of a supply; exchanges in time cost {time}, most: {slots}.", values
        )


def _slot(each: Json) -> Said:
    place = " ".join(part for part in (each["line"], each["station"], each["slot"]) if part)
    values: dict[str, Value] = {
        "place": place,
        "part": each["part"] or "?",
        "time": lasted(each["lost_ms"]),
        "number": each["stops"],
    }
    return Said("{place} ({part}) {time}", values, many="{place} ({part}) {time} in {number} stops")


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
