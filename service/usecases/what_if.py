"""What other settings would have made of a recording: the figures of each, which are best, and why.

``table`` gives (also what ``--json`` writes; durations are integer milliseconds, times RFC 3339, unknown is
``null``)::

    {"format": 1,
     "recording": {"checksum", "site", "timezone", "from", "to", "hours", "entries", "messages", "lines": []},
     "people": {"scenario", "crew": 3, "seeds": 20, "sure": 0.95},
     "towers": {"stops": INTERVAL, "stop_ms": INTERVAL},      # the same people by the towers alone
     "as_it_was": {"emptyings", "ran_out", "stop_ms"},        # what was recorded
     "settings": [{                                           # the recommended first, then the front
       "name": "lead 15 panels, chance 0.05", "recorded": false, "other": "file.toml" | null,
       "set": {"warn.lead_panels": 15, "warn.chance": 0.05},
       "warnings": {"opened", "early", "urgent", "empty", "needless", "missed", "late", "in_time"},
       "lead": {"asked": 15, "panels": SPREAD | null, "minutes": SPREAD | null},
       "messages": {"all", "per_person_hour", "verdict", "people": [{"who", "messages", "per_hour",
                    "verdict"}]},
       "stops": INTERVAL, "stop_ms": INTERVAL,                # by the model of people
       "avoided": {"stops": INTERVAL, "stop_ms": INTERVAL},   # against the towers alone
       "plan": {"looks", "changes", "stops", "stop_ms", "costs", "not_feasible"} | null,  # of 100 panels
       "left_out": [{"what", "times"}],
       "front": true, "recommended": false, "alike": false, "same": false}],
     "why": [sentences], "why_said": [said]}

    INTERVAL = {"mean", "low", "high"}; SPREAD = {"p10", "p50", "p90"}

``front``: no other one does as well with as few messages and needless warnings; ``alike``: how long stations
stand differs from the recommended one by no more than luck; ``same``: nothing is other than as recorded.
``early``, ``urgent``, ``empty``: the level at which notices opened; ``needless``: those that ended by
themselves because nobody had to do anything.

The recorded stream can't change. So for each supply that came to its end the people's model is asked when
somebody would have been there, told as these settings tell; how is ``emptied``'s and the model's business.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC
from typing import Any

import msgspec

from service.domain.budget import Verdict
from service.domain.choice import SURE, Interval, Option, alike, front, interval, recommend, stands_less
from service.domain.model import SECOND, to_rfc3339
from service.domain.said import Said, put
from service.usecases.altered import Heard

Json = dict[str, Any]
FORMAT = 1
_HOUR = 3600 * SECOND


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """One setting with its ``figures``. ``keys``: what is set otherwise; ``other``: the file that it is set
    on top of; neither: as recorded."""

    keys: Mapping[str, Any]
    other: str | None
    figures: Json

    @property
    def recorded(self) -> bool:
        return not self.keys and self.other is None

    @property
    def name(self) -> Said:
        parts = [_named(key, value) for key, value in self.keys.items()]
        if self.other is not None:
            parts.insert(0, Said("{file}", {"file": self.other}))
        return Said("{parts}", {"parts": tuple(parts)}) if parts else Said("as recorded")


def about(heard: Heard, checksum: str) -> Json:
    """What the recording is."""
    return {
        "checksum": checksum,
        "site": heard.site,
        "timezone": heard.timezone,
        "from": to_rfc3339(heard.first),
        "to": to_rfc3339(heard.last),
        "hours": round((heard.last - heard.first) / _HOUR, 3),
        "entries": len(heard.entries),
        "messages": heard.messages,
        "lines": heard.lines,
    }


def table(recording: Json, people: Json, tried: Sequence[Tried]) -> Json:
    """All settings side by side; the one as recorded is among them."""
    base = next(each for each in tried if each.recorded)
    options = [_option(each) for each in tried]
    best, chosen = front(options), recommend(options)
    like = [] if chosen is None else alike(options, chosen, range(len(options)))
    towers = base.figures["towers"]
    rows = [
        _row(each, towers)
        | {"front": number in best, "recommended": number == chosen, "alike": number in like}
        | {"same": each is not base and _core(each) == _core(base)}
        for number, each in enumerate(tried)
    ]
    why = [] if chosen is None else list(_why(tried, options, chosen, like, towers))
    return {
        "format": FORMAT,
        "recording": recording,
        "people": people | {"seeds": len(towers["stops"]), "sure": SURE},
        "towers": {"stops": _spread(towers["stops"]), "stop_ms": _spread(towers["stop_ms"])},
        "as_it_was": base.figures["as_it_was"],
        "settings": sorted(rows, key=_rank),
        "why": [put(each, UTC) for each in why],
        "why_said": msgspec.to_builtins(why),
    }


def _option(each: Tried) -> Option:
    messages, warnings = each.figures["messages"], each.figures["warnings"]
    return Option(
        stopped=tuple(float(ms) for ms in each.figures["tries"]["stop_ms"]),
        messages=messages["per_person_hour"] or 0.0,
        needless=warnings["needless"],
        too_much=messages["verdict"] == Verdict.TOO_MUCH,
        planned=0.0 if each.figures["plan"] is None else each.figures["plan"]["stops"],
        usual=each.recorded,
    )


def _row(each: Tried, towers: Json) -> Json:
    tries, named = each.figures["tries"], each.name
    kept = {key: value for key, value in _core(each).items() if key != "tries"}
    return {
        "name": put(named, UTC),
        "name_said": msgspec.to_builtins(named),
        "recorded": each.recorded,
        "other": each.other,
        "set": dict(each.keys),
        **kept,
        "stops": _spread(tries["stops"]),
        "stop_ms": _spread(tries["stop_ms"]),
        "avoided": {
            what: _spread([before - now for before, now in zip(towers[what], tries[what], strict=True)])
            for what in ("stops", "stop_ms")
        },
    }


def _core(each: Tried) -> Json:
    """What the setting makes of it; of the recorded one more is kept."""
    return {key: value for key, value in each.figures.items() if key not in ("towers", "as_it_was")}


def _rank(row: Json) -> tuple[bool, bool, float, float]:
    return (
        not row["recommended"],
        not row["front"],
        row["stop_ms"]["mean"],
        row["messages"]["per_person_hour"] or 0.0,
    )


def _spread(values: Sequence[float]) -> Json:
    return {name: round(value, 2) for name, value in asdict(interval(values)).items()}


# In words


def _named(key: str, value: Any) -> Said:
    """``lead_panels`` of ``[warn]`` and the like in words; the others by their key."""
    known = {
        "warn.lead_panels": Said("lead {number} panel", {"number": value}, many="lead {number} panels"),
        "warn.lead_minutes": Said("lead {number} min", {"number": value}),
        "warn.urgent_panels": Said("urgent {number} panel", {"number": value}, many="urgent {number} panels"),
        "warn.chance": Said("chance {number}", {"number": value}),
    }
    return known.get(key, Said("{key} {value}", {"key": key, "value": value}))


def _why(
    tried: Sequence[Tried], options: Sequence[Option], chosen: int, like: Sequence[int], towers: Json
) -> list[Said]:
    best, base = tried[chosen], next(n for n, each in enumerate(tried) if each.recorded)
    said = [_stands(best, interval(options[chosen].stopped), interval(towers["stop_ms"]))]
    if base != chosen:
        said.append(_against(options[chosen], options[base]))
    said.append(_budget(best))
    if best.figures["plan"] is not None:
        said.append(_planned(best, tried[base]))
    others = sum(_core(tried[each]) != _core(best) for each in like)
    if others:
        said.append(
            Said(
                "{number} other setting differs from it by no more than luck.",
                {"number": others},
                many="{number} others differ from it by no more than luck.",
            )
        )
    return said


def _stands(best: Tried, stands: Interval, towers: Interval) -> Said:
    return Said(
        "{name}: stations wait {mean} min for supplies ({low} to {high}), by the towers alone {towers} min.",
        {
            "name": best.name,
            "mean": _minutes(stands.mean),
            "low": _minutes(max(0.0, stands.low)),
            "high": _minutes(stands.high),
            "towers": _minutes(towers.mean),
        },
    )


def _against(best: Option, base: Option) -> Said:
    usual = {"mean": _minutes(interval(base.stopped).mean)}
    if stands_less(best, base):
        return Said("That is less than as recorded ({mean} min), beyond luck.", usual)
    if stands_less(base, best):
        return Said("As recorded they wait less ({mean} min), but it asks more of people.", usual)
    return Said("As recorded they wait as long as far as can be said ({mean} min).", usual)


def _planned(best: Tried, base: Tried) -> Said:
    stops = {name: each.figures["plan"]["stops"] for name, each in (("stops", best), ("usual", base))}
    return Said("Its plans stop a line {stops} times in 100 panels, as recorded {usual} times.", stops)


def _budget(best: Tried) -> Said:
    messages = best.figures["messages"]
    values = {
        "rate": Said(
            "{rate} messages per person and hour", {"rate": round(messages["per_person_hour"] or 0.0, 1)}
        ),
        "needless": Said(
            "{number} warning", {"number": best.figures["warnings"]["needless"]}, many="{number} warnings"
        ),
    }
    match Verdict(messages["verdict"]):
        case Verdict.ACCEPTABLE:
            return Said("{rate}, {needless} for nothing: people can follow that.", values)
        case Verdict.MANAGEABLE:
            return Said("{rate}, {needless} for nothing: that can just be managed.", values)
    return Said("{rate}, {needless} for nothing: that is too much to follow.", values)


def _minutes(milliseconds: float) -> float:
    return round(milliseconds / 60_000, 1)
