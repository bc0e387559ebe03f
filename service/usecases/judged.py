"""The parts of a review that judge us: the warnings, who heard and took them, the forecast, the plan.

``warnings_object`` gives (lengths in whole milliseconds, unknown null)::

    {"number", "verdicts": {"in time", "late", "missed", "needless", "apart", "open", "not judged"},
     "ran_out", "ended": {because: number}, "levels": {level: number},
     "lead": {"asked_panels": {"least", "usual", "most"} | null, "panels": {"p10", "p50", "p90"} | null,
              "lead_ms": {"p10", "p50", "p90"} | null},
     "each": [{"notice", "line", "station", "slot", "part", "kind", "level", "worst", "opened",
               "asked_panels", "asked_minutes", "given_panels", "given_ms",
               "until": "empty" | "exchange" | null, "verdict", "late", "taken_by", "taken_ms", "closed",
               "because"}],
     "per_person": [{"who", "messages", "hours", "per_hour", "peak_hour", "peak_ten_minutes", "verdict"}],
     "programs": [{"outlet", "messages"}],
     "taken": {"taken", "nobody", "waiting", "median_ms", "p90_ms", "by": [{"who", "taken"}]}}
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from service.domain.addressed import Heard, Taken, heard, quantile, taken
from service.domain.history import Record
from service.domain.model import Instant, rfc3339_or_none, to_rfc3339
from service.domain.plan_kept import Exchange, Kept, Plan
from service.domain.track import Track
from service.domain.warned import Given, Verdict
from service.usecases.budget import readers
from service.usecases.told import asked_object, record_object

Json = dict[str, Any]


def warnings_object(track: Track, warned: Sequence[Given]) -> Json:
    verdicts = Counter(each.verdict for each in warned)
    return {
        "number": len(warned),
        "verdicts": {each.value: verdicts[each] for each in Verdict},
        "ran_out": sum(each.ran_out for each in warned),
        "ended": dict(sorted(Counter(each.because for each in warned if each.because is not None).items())),
        "levels": {
            level: sum(each.level == level for each in warned) for level in ("early", "urgent", "empty")
        },
        "lead": _lead(warned),
        "each": [_warning_object(each) for each in warned],
        **_heard_object(heard(track.told, readers(track.policy), track.since, track.until)),
        "taken": _taken_object(taken(warned)),
    }


def _lead(warned: Sequence[Given]) -> Json:
    return {
        "asked_panels": asked_object([each.asked_panels for each in warned]),
        "panels": _spread([each.panels for each in warned if each.panels is not None]),
        "lead_ms": _spread([each.lead // 1000 for each in warned if each.lead is not None]),
    }


def _spread(values: Sequence[int]) -> Json | None:
    ordered = sorted(values)
    shares = (("p10", 0.1), ("p50", 0.5), ("p90", 0.9))
    return {name: quantile(ordered, share) for name, share in shares} if ordered else None


def _warning_object(each: Given) -> Json:
    return {
        "notice": each.notice,
        "line": each.line,
        "station": each.station,
        "slot": each.slot,
        "part": each.part,
        "kind": each.kind,
        "level": each.level,
        "worst": each.worst,
        "opened": to_rfc3339(each.opened),
        "asked_panels": each.asked_panels,
        "asked_minutes": each.asked_minutes,
        "given_panels": each.panels,
        "given_ms": _milliseconds(each.lead),
        "until": None if each.over is None else "empty" if each.ran_out else "exchange",
        "verdict": each.verdict.value,
        "late": None if each.late is None else round(each.late, 6),
        "taken_by": each.taken_by,
        "taken_ms": _milliseconds(each.took),
        "closed": rfc3339_or_none(each.closed),
        "because": each.because,
    }


def _heard_object(found: Heard) -> Json:
    return {
        "per_person": [
            {
                "who": who,
                "messages": load.messages,
                "hours": list(load.hours),
                "per_hour": None if load.per_hour is None else round(load.per_hour, 2),
                "peak_hour": load.peak_hour,
                "peak_ten_minutes": load.peak_ten_minutes,
                "verdict": load.verdict.value,
            }
            for who, load in found.people.items()
        ],
        "programs": [{"outlet": name, "messages": number} for name, number in found.programs.items()],
    }


def _taken_object(found: Taken) -> Json:
    return {
        "taken": found.taken,
        "nobody": found.nobody,
        "waiting": found.waiting,
        "median_ms": _milliseconds(found.median),
        "p90_ms": _milliseconds(found.p90),
        "by": [{"who": who, "taken": number} for who, number in found.by.items()],
    }


def forecast_object(track: Track) -> Json:
    """What became known of warnings in this time, as the track record shows it."""
    kinds = sorted({kind for kind, _ in track.outcomes}, key=lambda kind: kind or "")
    records = [Record(kind, [outcome for one, outcome in track.outcomes if one == kind]) for kind in kinds]
    found = record_object(records, {})
    return {
        "all": found["all"],
        "kinds": [
            {name: value for name, value in each.items() if name not in ("notice", "ever")}
            for each in found["kinds"]  # type: ignore[attr-defined]
        ],
    }


def plan_objects(plans: Sequence[Plan]) -> list[Json]:
    """A line each: how many exchanges were planned, what became of them."""
    return [
        {
            "line": plan.line,
            "plans": plan.plans,
            "exchanges": len(plan.exchanges),
            "kept": {kept.value: sum(each.kept is kept for each in plan.exchanges) for kept in Kept},
            "supply_stops": plan.supply_stops,
            "foreseen": plan.foreseen,
            "each": [_exchange_object(each) for each in plan.exchanges],
        }
        for plan in plans
    ]


def _exchange_object(each: Exchange) -> Json:
    return {
        "station": each.station,
        "slot": each.slot,
        "part": each.part,
        "kind": each.kind,
        "planned_at": to_rfc3339(each.planned_at),
        "planned_panel": each.planned_panel,
        "with_break": each.with_break,
        "with_order": each.with_order,
        "moved": each.moved,
        "kept": each.kept.value,
        "exchanged_at": rfc3339_or_none(each.exchanged_at),
        "off_panels": each.off,
    }


def _milliseconds(length: Instant | None) -> int | None:
    return None if length is None else length // 1000
