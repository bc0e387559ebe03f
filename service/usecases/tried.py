"""The figures of one setting, tried on a recording: warnings, leads, messages, stops, plans."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from math import inf
from statistics import median
from typing import Any, Protocol

from service.domain.budget import Verdict, load_of
from service.domain.floods import MINUTE
from service.domain.model import SECOND, Change, Instant
from service.domain.notices import BETTER, ORDER_DONE
from service.domain.world import SlotPlace
from service.usecases.altered import Alteration, Heard
from service.usecases.emptied import Emptied
from service.usecases.mailed import EVERYBODY, Mailed, Reaction, Readers, mailed, reads
from service.usecases.suppose import PlanLook, Supposed, suppose

Json = dict[str, Any]
Need = Mapping[str, Any]
_HOUR = 3600 * SECOND
_BURDEN = {Verdict.ACCEPTABLE: 0, Verdict.MANAGEABLE: 1, Verdict.TOO_MUCH: 2}


class Try(Protocol):
    """How one try went: ``stops`` of stations and their ``seconds``; of each need the second at which
    somebody set out and at which the next supply was there."""

    @property
    def stops(self) -> int: ...

    @property
    def seconds(self) -> float: ...

    @property
    def reactions(self) -> Sequence[tuple[float | None, float | None]]: ...


class People(Protocol):
    """The model of people, with the same luck for whoever asks."""

    def __call__(self, needs: Sequence[Need], *, bell: bool) -> Sequence[Try]:
        """What comes of it at each try, ``needs`` being supplies that end: ``line``, ``station``, ``slot``,
        seconds ``since``, ``low`` and ``end``, ``takt``, whether it is exchanged ``between`` two panels, and
        ``told``: ``at``, ``level`` and ``people`` (``None``: all). Without a ``bell`` people go by the towers
        alone."""
        ...


def figures(heard: Heard, alteration: Alteration, people: People, *, plans: bool) -> Json:
    """What came of the recording under the altered settings; ``tries`` are those of the people's model."""
    supposed = suppose(heard, alteration, plans=plans)
    needs = needs_of(supposed, heard.first)
    tries = people(needs, bell=True)
    sent = mailed(supposed, _reactions(tries, heard.first), heard.last)
    result = {
        "emptyings": len(supposed.emptied),
        "warnings": _warnings(supposed),
        "lead": _lead(supposed.emptied),
        "messages": _messages(sent, heard.first, heard.last + 1),
        "plan": _plan(supposed.plans),
        "left_out": [{"what": what, "times": times} for what, times in sorted(supposed.left_out.items())],
        "tries": _tries(tries),
    }
    if alteration == Alteration():
        result["towers"] = _tries(people(needs, bell=False))
        result["as_it_was"] = _as_it_was(supposed.emptied)
    return result


def _reactions(tries: Sequence[Try], start: Instant) -> list[Reaction]:
    """As it usually goes: the middle of all tries."""
    return [
        Reaction(*(_middle(moments, start) for moments in zip(*each, strict=True)))
        for each in zip(*(one.reactions for one in tries), strict=True)
    ]


def _middle(moments: Sequence[float | None], start: Instant) -> Instant | None:
    """``None`` where mostly nobody came."""
    middle = sorted(inf if each is None else each for each in moments)[len(moments) // 2]
    return None if middle == inf else start + round(middle * SECOND)


def needs_of(supposed: Supposed, start: Instant) -> list[Need]:
    """The supplies that came to their end, as the model of people wants them."""
    lows, readers = _usual_lows(supposed.emptied), reads(supposed.policy)
    return [_need(each, readers, start, lows) for each in supposed.emptied]


def _need(each: Emptied, readers: Readers, start: Instant, lows: Mapping[SlotPlace, float]) -> Need:
    line, station, slot = each.place
    low = each.low
    if low is None and each.place in lows:
        # It wasn't low yet when it was exchanged.
        before = min(lows[each.place] * each.takt * SECOND, max(0, each.end - each.refilled))
        low = each.end - round(before)
    return {
        "line": line,
        "station": station,
        "slot": slot,
        "since": 0.0 if each.begun is None else (each.begun - start) / SECOND,
        "end": (each.end - start) / SECOND,
        "takt": each.takt,
        "low": None if low is None else (low - start) / SECOND,
        "between": each.boundary_only,
        "told": [
            {"at": (word.at - start) / SECOND, "level": word.level, "people": _who(word.outlets, readers)}
            for word in each.words
            if EVERYBODY in readers or _who(word.outlets, readers)
        ],
    }


def _who(outlets: Sequence[str], readers: Readers) -> tuple[str, ...] | None:
    if EVERYBODY in readers:
        return None
    return tuple(dict.fromkeys(who for outlet in outlets for who in readers.get(outlet, ())))


def _usual_lows(emptied: Sequence[Emptied]) -> dict[SlotPlace, float]:
    """How many panels before the end each slot's tower says low, as it did in the recording; where it never
    did for a slot, as for the same part, else as for the same kind of supply."""
    seen: dict[object, list[int]] = defaultdict(list)
    for each in emptied:
        for alike in _likes(each) if each.low_panels is not None else ():
            seen[alike].append(each.low_panels or 0)
    nearest = {each.place: next(filter(None, map(seen.get, _likes(each))), None) for each in emptied}
    return {place: median(panels) for place, panels in nearest.items() if panels}


def _likes(each: Emptied) -> tuple[object, ...]:
    return each.place, ("part", each.part), ("kind", each.kind)


def _tries(tries: Sequence[Try]) -> Json:
    return {
        "stops": [each.stops for each in tries],
        "stop_ms": [round(each.seconds * 1000) for each in tries],
    }


def _as_it_was(emptied: Sequence[Emptied]) -> Json:
    waits = [each.refilled - each.end for each in emptied if each.ran_out]
    return {"emptyings": len(emptied), "ran_out": len(waits), "stop_ms": sum(waits) // 1000}


def _warnings(supposed: Supposed) -> Json:
    supply = [each for _, each in supposed.told if each.notice.kind == "supply"]
    opened = Counter(each.notice.level for each in supply if each.change is Change.OPENED)
    opened += Counter(
        each.words[0].level for each in supposed.emptied if each.words and each.words[0].projected
    )
    needless = sum(
        each.change is Change.CLOSED and each.notice.closed_because in (BETTER, ORDER_DONE) for each in supply
    )
    missed = sum(each.told is None for each in supposed.emptied)
    late = sum(each.given is not None and each.given < each.lead for each in supposed.emptied)
    return {
        "opened": opened.total(),
        **{level: opened[level] for level in ("early", "urgent", "empty")},
        "needless": needless,
        "missed": missed,
        "late": late,
        "in_time": len(supposed.emptied) - missed - late,
    }


def _lead(emptied: Sequence[Emptied]) -> Json:
    panels = [float(each.given) for each in emptied if each.given is not None]
    minutes = [(each.end - each.told.at) / MINUTE for each in emptied if each.told is not None]
    asked = Counter(each.lead for each in emptied).most_common(1)
    return {
        "asked": asked[0][0] if asked else None,
        "panels": _spread(panels),
        "minutes": _spread(minutes),
    }


def _spread(values: Sequence[float]) -> Json | None:
    """The nearest of the values at each share."""
    ordered = sorted(values)
    if not ordered:
        return None
    shares = (("p10", 0.1), ("p50", 0.5), ("p90", 0.9))
    return {name: round(ordered[round(share * (len(ordered) - 1))], 1) for name, share in shares}


def _messages(sent: Mailed, since: Instant, until: Instant) -> Json:
    people: list[Json] = []
    hours = (until - since) / _HOUR
    for who, moments in sorted(sent.heard.items()):
        load = load_of(moments, since, until)
        people.append(
            {
                "who": who,
                "messages": load.messages,
                "per_hour": None if load.per_hour is None else round(load.per_hour, 2),
                "verdict": load.verdict.value,
            }
        )
    read = sum(each["messages"] for each in people)
    verdicts = [Verdict(each["verdict"]) for each in people]
    return {
        "all": sent.posts,
        "per_person_hour": round(read / (len(people) * hours), 3) if people and hours else None,
        "verdict": max(verdicts, key=_BURDEN.__getitem__, default=Verdict.ACCEPTABLE).value,
        "people": people,
    }


def _plan(looks: Sequence[PlanLook]) -> Json | None:
    """Of a hundred panels ahead, over all looks."""
    if not looks:
        return None
    hundreds = sum(each.panels for each in looks) / 100.0
    return {
        "looks": len(looks),
        "changes": sum(each.changed for each in looks),
        "stops": round(sum(each.stops for each in looks) / hundreds, 2),
        "stop_ms": round(sum(each.minutes for each in looks) * 60_000 / hundreds),
        "costs": round(sum(each.costs for each in looks) / hundreds, 2),
        "not_feasible": sum(each.feasible is False for each in looks),
    }
